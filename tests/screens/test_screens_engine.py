"""A console before a real engine: real sockets, real lines, simulated controllers, real pins."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from console.commands.console_child import LedgerRecords
from console.places import EngineFolder, engine_folder, slug_of
from console.screens.app import Console
from console.screens.bar import StopBar
from console.screens.desk import Desk
from console.screens.rows import Rows
from console.screens.stopline import StopLine
from console.screens.store import Store
from console.screens.text import text_of
from console.views.client import EngineClient
from console.views.models import LinkState, PropFlag, PropState, StopProgress
from console.views.records import RecordFilter
from tests.boards import Bench, BoardProcess, simulated_command
from tests.engine import sites
from tests.screens.screens_scene import shown

PUSH, LAMP = 1, 2
BOARDS = 2


@dataclass
class House:
    """Two boards on lines of their own, and an engine that can die and come back."""

    folder: Path
    boards: list[BoardProcess] = field(default_factory=list)
    engine: subprocess.Popen[bytes] | None = None

    @property
    def site(self) -> Path:
        return self.folder / "yard.yaml"

    @property
    def sockets(self) -> EngineFolder:
        return engine_folder(slug_of(self.site))

    @property
    def benches(self) -> list[Bench]:
        return [b.bench for b in self.boards]

    def start(self) -> None:
        """Bring the engine up."""
        self.engine = subprocess.Popen(
            [
                *(sys.executable, "-m", "console.cli", "engine", str(self.site)),
                *("--ledger", str(self.folder / "night.ledger")),
                *("--ports", str(self.folder / "ports")),
            ]
        )

    def end(self, how: int = signal.SIGTERM) -> None:
        """Take it away."""
        if self.engine is not None:
            self.engine.send_signal(how)
            self.engine.wait(10)
            self.engine = None


def built(kind: type[House]) -> Iterator[House]:
    """Everything up except the console; it is taken down again at the end."""
    # Short: a socket's path may have no more than about 100 characters.
    house = kind(Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp")))
    sites.write(house.folder, BOARDS)
    for n in range(1, BOARDS + 1):
        own = house.folder / f"b{n}"
        own.mkdir()
        house.boards.append(BoardProcess(simulated_command(), own, ((f"B-{n}", n),)))
        house.boards[-1].start()
        (house.folder / "ports" / f"line-{n}").symlink_to(house.boards[-1].port)
    house.start()
    yield house
    house.end()
    for board in house.boards:
        board.end()
    shutil.rmtree(house.folder, ignore_errors=True)


@pytest.fixture
def house() -> Iterator[House]:
    """Everything up except the console."""
    yield from built(House)


@dataclass
class Sitting:
    """An operator at a console of the house."""

    console: Console
    pilot: Pilot[int]
    house: House

    @property
    def store(self) -> Store:
        return self.console.desk.store

    @property
    def text(self) -> str:
        return "\n".join(shown(self.console))

    async def press(self, *keys: str) -> None:
        for key in keys:
            await self.pilot.press(key)
            await self.pilot.pause(0.02)

    async def until(self, given: Callable[[], object], what: str, seconds: float = 8.0) -> None:
        """Wait for something that the engine or a board does."""
        end = time.monotonic() + seconds
        while not given():
            assert time.monotonic() < end, f"not within {seconds} s: {what}\n{self.text}"
            await self.pilot.pause(0.02)

    def states(self) -> set[PropState]:
        return {p.state for p in self.store.props}


@contextlib.asynccontextmanager
async def sitting(house: House, size: tuple[int, int] = (80, 24)) -> AsyncIterator[Sitting]:
    """Sit down, and wait until both boards are live."""
    store, stops = Store(), StopLine(house.sockets.stop_socket)
    client = EngineClient(house.sockets.socket, store, name="test")
    console = Console(
        Desk(store, client, stops, "P. Marsh", LedgerRecords(house.sockets)), client.run
    )
    stops.start()
    try:
        async with console.run_test(size=size) as pilot:
            here = Sitting(console, pilot, house)
            await here.until(
                lambda: (
                    len(store.controllers) == BOARDS
                    and all(c.link is LinkState.LIVE for c in store.controllers)
                    and here.states() == {PropState.DISARMED}
                    and "○ disarmed" in here.text
                ),
                "both boards live",
                15,
            )
            yield here
    finally:
        stops.close()


async def clear(here: Sitting) -> None:
    """Clear the all-stop by its two steps."""
    await here.until(
        lambda: (
            all(c.progress is StopProgress.CONFIRMED for c in here.store.stop.confirmations)
            and not here.store.stop.clear_refusals
        ),
        "all confirmed",
    )
    await here.press("1", "c", *"seen", "enter", "enter")
    await here.until(lambda: not here.store.stop.latched, "cleared")
    await here.until(lambda: here.states() == {PropState.DISARMED}, "disarmed after the clear")


async def test_a_night_by_keys(house: House) -> None:
    """Open, arm all, trigger, fire, switch, hand only, close: seen on screen and at the pins."""
    async with sitting(house) as here:
        await here.press("o", "enter")
        await here.until(lambda: here.store.site.night is not None, "a night open")
        await here.press("e", "a")
        await here.until(lambda: here.states() == {PropState.ARMED}, "all armed")
        await here.pilot.pause(0.3)
        assert here.text.count("◆ armed") >= BOARDS

        before = [bench.mark() for bench in house.benches]
        house.benches[0].set(1, 0)
        await here.until(lambda: here.store.props[0].cycles_tonight == 1, "a guest's cycle")
        house.benches[0].set(1, 1)
        assert any(p.outputs & PUSH for p in house.benches[0].since(before[0]))
        assert here.store.props[0].last_trigger == "sensor"

        await here.press("down", "f", "enter")
        await here.until(lambda: here.store.props[1].cycles_tonight == 1, "a fired cycle")
        assert here.store.props[1].last_trigger == "operator"

        await here.press("s", "2")
        await here.until(lambda: here.store.props[1].sequence == "slow", "switched")
        await here.press("h")
        await here.until(lambda: PropFlag.HAND_ONLY in here.store.props[1].flags, "hand only")
        await here.pilot.pause(0.3)
        assert "slow" in here.text
        assert "hand only" in here.text

        await here.press("4")
        await here.until(lambda: "by" in here.text and "operator" in here.text, "the ledger")
        await here.press("O", "enter")
        await here.until(lambda: here.store.site.night is None, "the night closed")
        await here.until(lambda: here.states() == {PropState.DISARMED}, "all disarmed")


async def test_a_refused_fire_says_why_and_what_to_do(house: House) -> None:
    """A disarmed prop cannot be fired; the list says so before and after trying."""
    async with sitting(house) as here:
        await here.press("f", "enter")
        await here.until(lambda: "Fire refused" in here.text, "the refusal")
        reasons = {r.reason for r in here.store.props[0].fire_refusals}
        assert reasons
        await here.press("w")
        await here.pilot.pause(0.3)
        listed = text_of(here.console.screen.query_one("#read", Rows).lines)
        assert any(reason.split()[0] in listed for reason in reasons)


WAYS: dict[str, tuple[tuple[str, ...], str]] = {
    "the floor": (("1",), "f9"),
    "a prop's page": (("1", "enter"), "f9"),
    "the stop screen": (("2",), "ctrl+x"),
    "the alarms": (("3",), "f9"),
    "the ledger": (("4",), "ctrl+x"),
    "the parts": (("5",), "f9"),
    "a dialog": (("1", "f"), "f9"),
    "an input": (("1", "O"), "ctrl+x"),
    "the palette": (("1", "ctrl+p", "a", "l", "l"), "enter"),
    "a click": (("1",), "click"),
}
"""Where one is, and how one stops there."""


async def stopped_while_running(here: Sitting, house: House, stop: str) -> None:
    """Guests trip every prop, a stop comes by key or click, and every motion is off at its pin."""
    for bench in house.benches:
        bench.set(1, 0)
    for bench in house.benches:
        bench.wait(lambda pins: pins.outputs & PUSH)
        bench.set(1, 1)
    if stop == "click":
        await here.pilot.click(StopBar, offset=(5, 0))
    else:
        await here.press(stop)
    for bench in house.benches:
        bench.wait(lambda pins: not pins.outputs & PUSH, 0.6)


async def test_all_stop_from_everywhere_at_the_pins(house: House) -> None:
    """From each screen, a dialog, an input, the palette and by click: every motion off, latched."""
    async with sitting(house) as here:
        await here.press("o", "enter")
        await here.until(lambda: here.store.site.night is not None, "a night open")
        await here.press("e", "s", "2")
        await here.until(lambda: {p.sequence for p in here.store.props} == {"slow"}, "slow")
        for place, (keys, stop) in WAYS.items():
            await here.press("1", "e", "a")
            await here.until(lambda: here.states() == {PropState.ARMED}, f"armed, {place}")
            await here.press(*keys)
            await stopped_while_running(here, house, stop)
            await here.until(lambda: here.store.stop.latched, f"latched from {place}")
            await here.until(
                lambda: here.states() == {PropState.STOPPED}, f"all stopped from {place}"
            )
            await here.pilot.pause(0.3)
            assert "latched" in shown(here.console)[-1], place
            if isinstance(here.console.screen.focused, Input):
                assert "\x18" not in here.console.screen.focused.value
            while len(here.console.screen_stack) > 1:
                await here.press("escape")
            await clear(here)
            assert not any(bench.pins().outputs & PUSH for bench in house.benches)


async def test_the_console_finds_a_new_engine(house: House) -> None:
    """Killed and started again: a banner, then live again, disarmed, with an offer to arm again."""
    async with sitting(house) as here:
        await here.press("o", "enter", "e", "a")
        await here.until(lambda: here.states() == {PropState.ARMED}, "all armed")
        house.end(signal.SIGKILL)
        await here.until(lambda: "ENGINE NOT HEARD" in here.text, "the banner")
        await here.press("a")
        await here.until(lambda: "the engine is not there" in here.text, "a refusal")
        assert "no way to the engine" in shown(here.console)[-1]
        house.start()
        await here.until(lambda: here.store.linked, "linked again", 15)
        await here.until(lambda: here.states() == {PropState.DISARMED}, "disarmed", 15)
        await here.until(lambda: len(here.store.site.rearm) == BOARDS, "an offer to arm again")
        await here.press("escape", "r", "enter")
        await here.until(lambda: here.states() == {PropState.ARMED}, "armed again")


async def test_the_ledger_is_read_and_exported_from_outside(house: House) -> None:
    """Counts, filters, and a CSV file of a night that is still open."""
    async with sitting(house) as here:
        await here.press("o", "enter", "e", "a")
        await here.until(lambda: here.states() == {PropState.ARMED}, "all armed")
        house.benches[0].set(1, 0)
        await here.until(lambda: here.store.props[0].cycles_tonight == 1, "a cycle")
        house.benches[0].set(1, 1)
        records = LedgerRecords(house.sockets)
        (night,) = await asyncio.to_thread(records.nights)
        assert (night.cycles, night.closed_wall_ns) == (1, None)
        wanted = RecordFilter(night=night.id, prop="prop-1", outcome="done")
        (cycle,) = records.cycles(wanted, 10)
        assert (cycle.prop, cycle.trigger, cycle.sequence) == ("prop-1", "sensor", "go")
        assert records.cycles(RecordFilter(prop="prop-2"), 10) == []
        target = house.folder / "out.csv"
        assert records.export(wanted, "csv", target) == 1
        assert "prop-1" in target.read_text()
        assert records.export(RecordFilter(), "json", house.folder / "out.json") == 1
        assert records.outcomes() == ["done"]


async def test_the_child_process_runs_and_ends(house: House) -> None:
    """`python -m console.commands.console_child` on a terminal of its own: floor, quit, code 0."""
    import pexpect

    async with sitting(house):
        pass
    child = pexpect.spawn(
        sys.executable,
        [
            *("-m", "console.commands.console_child"),
            *("--socket", os.fspath(house.sockets.socket)),
            *("--stop-socket", os.fspath(house.sockets.stop_socket)),
        ],
        dimensions=(24, 80),
        encoding="utf-8",
        timeout=20,
    )
    child.expect("Prop 1")
    child.send("q")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
