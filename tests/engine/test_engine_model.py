"""Any order of things people and machines can do, and promises that hold after every step.

The real core with the firmware in virtual time. CI plays 1,000 examples of 50 steps on lines of
their own and 1,000 on a shared line, the same ones every time; `SEXTON_LONG=1` plays 5,000 new ones
of each; else it is a short run.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from console.ledger.reader import Reader
from console.site.models import Site
from console.views.models import PropState
from drivers.firmware.build import NoCompiler, shared_library
from tests.engine.night import FirmwareBoard, Night
from tests.engine.sites import made
from tests.tools import missing

EXAMPLES = 5000 if os.environ.get("SEXTON_LONG") == "1" else 1000 if "CI" in os.environ else 25
BOARDS = 2
HEARTBEAT_MS = 1500
MOTIONS = 0b01


@cache
def site_of(shared: bool) -> Site:
    """The site of all examples: reading its file takes longer than playing some of them."""
    with tempfile.TemporaryDirectory(prefix="sx-", dir="/tmp") as folder:
        return made(Path(folder), BOARDS, shared=shared)


numbers = st.integers(1, BOARDS)
people = st.sampled_from(["ada", "bo"])


class TheNight(RuleBasedStateMachine):
    """Two boards on lines of their own, an engine, and everything that can happen to them."""

    shared = False

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
        self.night = Night(site_of(self.shared), self.folder, FirmwareBoard, durable=False)
        self.may_be_armed: set[int] = set()
        self.fires = 0
        self.latched_since: float | None = None
        self.tagged_since: dict[int, float] = {}
        self.lossy: set[int] = set()
        self.night.until(self.night.live, 10_000)

    def line(self, n: int) -> str:
        """The line of a board."""
        return "line-1" if self.shared else f"line-{n}"

    def beside(self, n: int) -> set[int]:
        """The boards on a board's line."""
        return set(range(1, BOARDS + 1)) if self.shared else {n}

    # --- what happens -------------------------------------------------------------------------

    @rule(n=numbers)
    def arm(self, n: int) -> None:
        self.night.ask("arm", props=[f"prop-{n}"])
        self.may_be_armed.add(n)

    @rule()
    def arm_again(self) -> None:
        offered = self.night.site_view.rearm
        if self.night.ask("rearm")["ok"]:
            self.may_be_armed |= {int(name.removeprefix("prop-")) for name in offered}

    @rule(n=numbers)
    def disarm(self, n: int) -> None:
        assert self.night.ask("disarm", props=[f"prop-{n}"])["ok"]

    @rule(n=numbers)
    def fire(self, n: int) -> None:
        self.fires += bool(self.night.ask("fire", prop=f"prop-{n}")["ok"])

    @rule(n=numbers, who=people)
    def tag(self, n: int, who: str) -> None:
        self.night.ask("tag", prop=f"prop-{n}", by=who, reason="model")

    @rule(n=numbers, who=people)
    def untag(self, n: int, who: str) -> None:
        prop = f"prop-{n}"
        owned = self.night.core.world.tags.of(prop, who) is not None
        lifted = self.night.ask("untag", prop=prop, by=who)["ok"]
        assert owned or not lifted

    @rule(n=numbers, who=people)
    def test_break(self, n: int, who: str) -> None:
        prop = f"prop-{n}"
        output = self.night.core.world.props[prop].prop.motions[0].name
        self.night.ask("test_break", prop=prop, by=who, output=output, people_clear=True)

    @rule(n=numbers, sequence=st.sampled_from(["go", "slow"]))
    def switch(self, n: int, sequence: str) -> None:
        self.night.ask("switch", props=[f"prop-{n}"], sequence=sequence)

    @rule(n=numbers, on=st.booleans())
    def hand_only(self, n: int, on: bool) -> None:
        self.night.ask("hand_only", props=[f"prop-{n}"], on=on)

    @rule(n=numbers, source=st.sampled_from([1, 2]))
    def trigger(self, n: int, source: int) -> None:
        self.night.trigger(f"board-{n}", source)
        self.night.run(30)

    @rule()
    def stop(self) -> None:
        self.night.stop()
        self._stopped()

    @rule()
    def clear(self) -> None:
        view = self.night.stop_view
        if self.night.ask("clear", stop=view.id, by="mara", why="model")["ok"] and view.latched:
            self.latched_since = None
            self.may_be_armed.clear()

    @rule(n=numbers)
    def leave_out(self, n: int) -> None:
        self.night.ask("leave_out", controller=f"board-{n}", by="mara")

    @rule(n=numbers, closed=st.booleans())
    def stop_input(self, n: int, closed: bool) -> None:
        self.night.boards[f"board-{n}"].set_input(0, int(closed))
        self.night.run(20)

    @rule(n=numbers)
    def unplug(self, n: int) -> None:
        self.night.unplug(self.line(n))
        self.may_be_armed -= self.beside(n)

    @rule(n=numbers)
    def plug(self, n: int) -> None:
        self.night.plug(self.line(n))

    @rule(n=numbers)
    def reset(self, n: int) -> None:
        self.night.reset(f"board-{n}")
        # On a shared line a board cannot say that it was reset; its next answer does.
        self.night.run(HEARTBEAT_MS + 500 if n in self.lossy or self.shared else 30)
        self.may_be_armed.discard(n)

    @rule(gone_ms=st.sampled_from([0, 300, 2500]))
    def kill_engine(self, gone_ms: int) -> None:
        self.night.kill_engine()
        self.night.ended = True
        self.night.run(gone_ms)
        self.night.disk_full = False
        self.night.start_engine()
        self.may_be_armed.clear()

    @rule(hours=st.sampled_from([-1, 1]))
    def set_the_clock(self, hours: int) -> None:
        self.night.wall_offset_ns += hours * 3_600_000_000_000

    @rule(n=numbers, every=st.sampled_from([2, 3, 7]))
    def lose_frames(self, n: int, every: int) -> None:
        count = 0

        def lose(data: bytes) -> bytes:
            nonlocal count
            count += 1
            # The stop byte itself is one byte; a line that loses it is the next rule's business.
            return data if len(data) == 1 or count % every else data[: len(data) // 2]

        self.night.wires[self.line(n)].lose = lose
        self.lossy |= self.beside(n)

    @rule(n=numbers)
    def repeat_frames(self, n: int) -> None:
        self.night.wires[self.line(n)].lose = lambda data: data + data
        self.lossy |= self.beside(n)

    @rule(n=numbers)
    def mend_line(self, n: int) -> None:
        self.night.wires[self.line(n)].lose = lambda data: data
        self.lossy -= self.beside(n)

    @rule(opened=st.booleans())
    def night_opens_or_closes(self, opened: bool) -> None:
        self.night.ask("open_night" if opened else "close_night", by="mara")

    @rule(full=st.booleans())
    def disk(self, full: bool) -> None:
        self.night.disk_full = full

    @rule(ms=st.sampled_from([5, 50, 400, 2000]))
    def wait(self, ms: int) -> None:
        self.night.run(ms)

    # --- what holds ---------------------------------------------------------------------------

    def _stopped(self) -> None:
        """Within 5 ms of a stop no board that can hear it has a motion on."""
        self.latched_since = self.latched_since or self.night.now_ms
        self.night.run(5)
        for n in range(1, BOARDS + 1):
            wire = self.night.wires[self.line(n)]
            if wire.plugged and wire.open and n not in self.lossy:
                assert not self.night.boards[f"board-{n}"].outputs & MOTIONS
        self.may_be_armed.clear()

    @invariant()
    def nothing_moves_while_latched(self) -> None:
        latch = self.night.core.world.latch
        if not latch.latched:
            self.latched_since = None
            return
        self.latched_since = self.latched_since or self.night.now_ms
        if self.night.now_ms - self.latched_since > HEARTBEAT_MS + 300:
            assert not any(b.outputs & MOTIONS for b in self.night.boards.values())

    @invariant()
    def nothing_moves_or_is_armed_while_tagged(self) -> None:
        for n in range(1, BOARDS + 1):
            prop = f"prop-{n}"
            if not self.night.core.world.tags.on(prop) or n in self.lossy:
                self.tagged_since.pop(n, None)
                continue
            since = self.tagged_since.setdefault(n, self.night.now_ms)
            if self.night.now_ms - since > HEARTBEAT_MS + 300:
                assert not self.night.boards[f"board-{n}"].outputs & MOTIONS
                assert self.night.state(prop) not in (PropState.ARMED, PropState.RUNNING)

    @invariant()
    def armed_is_shown_only_where_somebody_armed(self) -> None:
        for n in range(1, BOARDS + 1):
            prop = self.night.core.world.props[f"prop-{n}"]
            shown = self.night.state(f"prop-{n}")
            if shown in (PropState.ARMED, PropState.RUNNING, PropState.RESTING):
                assert prop.report is not None
                assert self.night.now_ms - prop.reported_ms <= HEARTBEAT_MS
            # After a stop a board counts as armed until its own word, which may have to be polled.
            since = self.latched_since
            told = since is None or self.night.now_ms - since > 500
            if shown is PropState.ARMED and n not in self.lossy and told:
                assert n in self.may_be_armed

    def teardown(self) -> None:
        """Once everything is back and fetched, the counts agree and no fire ran twice."""
        try:
            self._drain()
        finally:
            self.night.close()
            shutil.rmtree(self.folder, ignore_errors=True)

    def _drain(self) -> None:
        night = self.night
        night.disk_full = False
        for n in range(1, BOARDS + 1):
            night.wires[self.line(n)].lose = lambda data: data
            night.plug(self.line(n))
        night.ask("disarm", props=["all"])
        night.until(night.live, 30_000)
        # A report that was lost on the way comes again within half a second.
        night.run(1500)
        props = night.core.world.props
        night.until(
            lambda: (
                not any(p.report.oldest for p in props.values() if p.report)
                and not night.core.recorder.waiting
            ),
            30_000,
        )
        known = night.ledger.known_counters()
        for prop in props.values():
            assert prop.report is not None
            board = night.core.world.controller_of(prop).controller.board_id
            row = known[board, prop.report.life, prop.prop.index]
            assert row.baseline + row.stored + row.gaps == prop.report.number
        with Reader.open(night.path) as reader:
            by_hand = sum(c.trigger == "operator" for c in reader.cycles())
        assert by_hand <= self.fires


try:
    shared_library()
except NoCompiler as error:
    missing(str(error))


class SharedNight(TheNight):
    """The same with both boards on one polled line."""

    shared = True


pytestmark = pytest.mark.timeout(30 + 5 * EXAMPLES)
PLAYED = settings(
    max_examples=EXAMPLES,
    stateful_step_count=50 if EXAMPLES > 25 else 30,
    derandomize="CI" in os.environ,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
TestTheNight = TheNight.TestCase
TestTheNight.settings = PLAYED
TestSharedNight = SharedNight.TestCase
TestSharedNight.settings = PLAYED
