"""The console in tmux at 80x24, driven by keys alone, with the keys of each task counted.

How many keys each task may take is the product's own promise.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from console.launch import find_engine
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.views.client import call, snapshot
from console.views.models import GroupView, PropState, PropView, SiteView, StopView
from tests.tools import tool

TMUX = tool("tmux")
pytestmark = pytest.mark.timeout(240)
ARMED = (PropState.ARMED, PropState.RUNNING, PropState.RESTING)


class Seat:
    """Somebody at a terminal of 80 by 24. Counts the keys they press."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.keys = 0
        self._name = ("-L", f"sx-{folder.name}")
        names = ("SEXTON_RUNTIME", "SEXTON_DATA", "TMPDIR")
        given = [word for n in names for word in ("-e", f"{n}={os.environ[n]}")]
        command = f"{sys.executable} -P -m console.cli demo --seed 5 --ledger {self.ledger}"
        self._tmux("new-session", "-d", "-x", "80", "-y", "24", *given, command)

    @property
    def ledger(self) -> Path:
        """Where this demo keeps its records."""
        return self.folder / "night.ledger"

    @property
    def socket(self) -> Path:
        """Where its engine listens."""
        return find_engine(None).folder.socket

    def press(self, *keys: str) -> None:
        """Press keys, one after the other as a person does."""
        for key in keys:
            self.keys += 1
            self._tmux("send-keys", "-t", "0", key)
            time.sleep(0.35)

    def type(self, text: str) -> None:
        """Type a text and Enter; not counted."""
        self._tmux("send-keys", "-t", "0", "-l", text)
        self._tmux("send-keys", "-t", "0", "Enter")
        time.sleep(0.35)

    def screen(self) -> str:
        """What stands on the screen."""
        return self._tmux("capture-pane", "-p", "-t", "0")

    def until(self, holds: Callable[[], object], what: str, seconds: float = 30.0) -> None:
        """Wait for something that must come."""
        end = time.monotonic() + seconds
        while not holds():
            assert time.monotonic() < end, f"{what} did not come:\n{self.screen()}"
            time.sleep(0.1)

    def end(self) -> None:
        """Close the terminal, and with it everything."""
        subprocess.run([TMUX, *self._name, "kill-server"], check=False)

    def _tmux(self, *words: str) -> str:
        done = subprocess.run(
            [TMUX, *self._name, *words], capture_output=True, text=True, check=True
        )
        return done.stdout

    # --- what the engine says ---------------------------------------------------------------

    def props(self) -> list[PropView]:
        """Every prop."""
        return [v for v in snapshot(self.socket).values() if isinstance(v, PropView)]

    def prop(self, name: str) -> PropView:
        """One of them."""
        return next(p for p in self.props() if p.name == name)

    def stop(self) -> StopView:
        """The all-stop."""
        found = snapshot(self.socket)["stop"]
        assert isinstance(found, StopView)
        return found

    def groups(self) -> list[GroupView]:
        """The groups in the walk."""
        return [v for v in snapshot(self.socket).values() if isinstance(v, GroupView)]


@pytest.fixture
def seat(monkeypatch: pytest.MonkeyPatch) -> Iterator[Seat]:
    """A demo in a terminal, its night open."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    monkeypatch.setenv("SEXTON_RUNTIME", str(folder / "run"))
    monkeypatch.setenv("SEXTON_DATA", str(folder / "data"))
    monkeypatch.setenv("TMPDIR", str(folder))
    made = Seat(folder)
    made.until(lambda: "ALL-STOP  F9 or Ctrl+X" in made.screen(), "the console", 90)
    yield made
    made.end()
    end = time.monotonic() + 20
    while any(folder.glob("sexton-demo-*")) and time.monotonic() < end:
        time.sleep(0.1)
    shutil.rmtree(folder, ignore_errors=True)


def test_a_night_by_keys_alone(seat: Seat) -> None:
    """Arm all 2, switch one 3, fire one 3, next group mild 2, an incident 2 before typing, all-stop
    1; then clear, arm again and close, all by keys, and the ledger has it."""
    counted: dict[str, int] = {}

    def task(name: str, *keys: str) -> None:
        before = seat.keys
        seat.press(*keys)
        counted[name] = seat.keys - before

    assert call(seat.socket, "disarm", {"props": ["all"]}).ok
    seat.until(lambda: not any(p.state in ARMED for p in seat.props()), "disarmed")

    task("arm all", "e", "a")
    seat.until(lambda: all(p.state in ARMED for p in seat.props()), "all armed")

    first = seat.props()[0].name
    names = [s.name for s in seat.prop(first).sequences]
    task("switch one", "s", "2")
    seat.until(lambda: names[1] in (seat.prop(first).sequence, seat.prop(first).asked_sequence),
               "the other sequence")  # fmt: skip

    seat.until(lambda: seat.prop(first).state is PropState.ARMED, "ready", 90)
    task("fire one", "f", "Enter")
    seat.until(lambda: seat.prop(first).state is PropState.RUNNING, "running")

    sent = {g.number for g in seat.groups()}
    task("next group mild", "g", "2")
    seat.until(
        lambda: any(g.number not in sent and g.strength == "mild" for g in seat.groups()), "group"
    )

    task("note an incident", "i", "1")
    seat.until(lambda: "What happened" in seat.screen(), "a line to type in")
    seat.type("a guest stumbled")
    seat.type("")
    seat.until(
        lambda: "What happened" not in seat.screen() and seat.prop(first).state not in ARMED,
        "the incident's prop is disarmed",
    )

    task("all-stop", "F9")
    seat.until(lambda: seat.stop().latched, "the stop")
    seat.until(lambda: not seat.stop().clear_refusals, "all confirmed")

    seat.press("c")
    seat.until(lambda: "first step" in seat.screen(), "the first step")
    seat.type("")
    seat.type("looked everywhere")
    seat.until(lambda: "second step" in seat.screen(), "the second step")
    seat.press("Enter")
    seat.until(lambda: not seat.stop().latched, "cleared")
    seat.press("r")
    seat.until(lambda: "again?" in seat.screen(), "the offer to arm again")
    seat.press("Enter")
    seat.until(lambda: sum(p.state in ARMED for p in seat.props()) >= 5, "armed again")
    assert seat.prop(first).state not in ARMED

    seat.press("O")
    seat.until(lambda: "Close the night" in seat.screen(), "the question")
    seat.type("")

    def closed() -> bool:
        site = snapshot(seat.socket)["site"]
        return isinstance(site, SiteView) and site.night is None

    seat.until(closed, "closed")

    print("keys:", counted)
    promised = {
        "arm all": 2, "switch one": 3, "fire one": 3, "next group mild": 2,
        "note an incident": 2, "all-stop": 1,
    }  # fmt: skip
    assert all(counted[name] <= most for name, most in promised.items()), counted
    with Reader.open(seat.ledger) as reader:
        kinds = {row.kind for row in reader.events(Filter())}
        assert {"incident", "all-stop", "clear", "group-sent", "fire", "switch"} <= kinds
        assert any(cycle.trigger == "operator" for cycle in reader.cycles())
