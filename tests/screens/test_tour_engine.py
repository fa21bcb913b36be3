"""The tour of the keys before real engines: simulated controllers, real sockets, real pins."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest

from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.places import EngineFolder, engine_folder, slug_of
from console.screens.tour import Outcome, Stage, Tour
from console.screens.tour_steps import REAL, SIMULATED, TYPED
from console.views.client import call
from console.views.models import AlarmView, PropState
from tests.screens.test_screens_engine import (
    PUSH,
    House,
    Sitting,
    built,
    sitting,
    stopped_while_running,
)


class DemoHouse(House):
    """The same with the engine of a demo: its views say that nothing in it is real."""

    @property
    def sockets(self) -> EngineFolder:
        return engine_folder(slug_of(self.site, demo=True))

    def start(self) -> None:
        self.engine = subprocess.Popen(
            [
                *(sys.executable, "-m", "console.commands.demo_engine", str(self.site)),
                *("--ledger", str(self.folder / "night.ledger")),
                *("--ports", str(self.folder / "ports")),
            ],
            stdin=subprocess.PIPE,
        )


@pytest.fixture
def demo() -> Iterator[House]:
    """Two simulated boards and a demo's engine."""
    yield from built(DemoHouse)


@pytest.fixture
def real() -> Iterator[House]:
    """Two simulated boards that a real site's engine takes for its own."""
    yield from built(House)


def offered(here: Sitting) -> tuple[Tour, list[Outcome]]:
    """An offer on this console, and what it will have remembered."""
    outcomes: list[Outcome] = []
    here.console.desk.tour = Tour(offered=True, remember=outcomes.append)
    return here.console.desk.tour, outcomes


async def by_its_keys(here: Sitting, tour: Tour, number: int) -> None:
    """Press what the tour says, step by step, as far as step `number`."""
    while tour.step is not None and tour.count[0] < number:
        step = tour.step
        for key in tour.keys:
            await here.press(*("seen" if key == TYPED else (key,)))
        await here.until(lambda step=step: tour.step is not step, f"done: {step.text}", 15)


async def opened(here: Sitting) -> None:
    """A night is open and everything armed, as at the start of a demo."""
    await here.press("o", "enter")
    await here.until(lambda: here.store.site.night is not None, "a night open")
    await here.press("e", "a")
    await here.until(lambda: here.states() == {PropState.ARMED}, "all armed")


def kinds(house: House) -> set[str]:
    """The kinds of events in the ledger."""
    with Reader.open(house.folder / "night.ledger") as reader:
        return {row.kind for row in reader.events(Filter())}


async def test_the_whole_tour_by_its_own_keys(demo: House) -> None:
    """Every step is done on the props and seen; at its end all was stopped and cleared."""
    async with sitting(demo) as here:
        await opened(here)
        tour, outcomes = offered(here)
        await here.until(lambda: "New here?" in here.text, "the offer")
        groups = here.store.headway is not None
        marks = [bench.mark() for bench in demo.benches]
        await here.press("f3")
        assert tour.step is SIMULATED[0]
        await by_its_keys(here, tour, len(SIMULATED) + 1)
        assert tour.stage is Stage.DONE
        assert outcomes == [Outcome.TAKEN]
        await here.until(lambda: "That was the tour" in here.text, "the last word")
        assert not here.store.stop.latched
        await here.until(lambda: here.states() == {PropState.DISARMED}, "all disarmed")
        moved = [any(p.outputs & PUSH for p in b.since(m)) for b, m in
                 zip(demo.benches, marks, strict=True)]  # fmt: skip
        assert moved == [False, True], "only the chosen prop was fired"
        assert here.store.props[1].sequence == "slow"
        await here.press("f4")
        await here.until(lambda: "tour" not in here.text, "gone")
        assert outcomes == [Outcome.TAKEN]
    wanted = {"arm", "disarm", "switch", "fire", "incident", "all-stop", "clear"}
    assert kinds(demo) >= wanted | ({"group-sent"} if groups else set())


WAYS: dict[str, tuple[int, tuple[str, ...], str]] = {
    "on the floor": (5, (), "f9"),
    "in a dialog": (6, ("f",), "ctrl+x"),
    "in an input": (8, ("i", "1"), "f9"),
    "by a click": (5, (), "click"),
}
"""At which step, after which keys, and how one stops."""


@pytest.mark.parametrize("way", WAYS)
async def test_a_stop_in_the_middle_reaches_the_pins_and_ends_it(demo: House, way: str) -> None:
    """A motion that runs is off, everything is latched, and the tour is gone at once."""
    number, keys, stop = WAYS[way]
    async with sitting(demo) as here:
        await opened(here)
        await here.press("e", "s", "2")
        await here.until(lambda: {p.sequence for p in here.store.props} == {"slow"}, "slow")
        tour, outcomes = offered(here)
        await here.press("f3")
        while tour.count[0] < number:
            await here.press("f3")
        await here.press(*keys)
        await stopped_while_running(here, demo, stop)
        await here.until(lambda: tour.stage is Stage.OFF, "the tour is over", 1.0)
        await here.until(lambda: here.store.stop.latched, "latched")
        await here.pilot.pause(0.3)
        assert "Tour" not in here.text
        assert outcomes == []


async def test_a_stop_from_elsewhere_ends_it_too(demo: House) -> None:
    """Also where it was just about to ask for one: somebody meant it."""
    async with sitting(demo) as here:
        await opened(here)
        tour, _ = offered(here)
        await here.press(*["f3"] * 9)
        await here.until(lambda: tour.step is SIMULATED[8], "the all-stop's step")
        demo.benches[0].set(0, 0)
        await here.until(lambda: here.store.stop.latched, "a board's own stop input")
        await here.until(lambda: tour.stage is Stage.OFF, "the tour is over", 1.0)
        demo.benches[0].set(0, 1)


async def test_an_alarm_stands_above_it(demo: House) -> None:
    """A board that goes silent in mid-tour has its alarm and remedy on the strip, as always."""
    async with sitting(demo) as here:
        await opened(here)
        tour, _ = offered(here)
        await here.press("f3", "f3")
        demo.boards[1].end()
        await here.until(lambda: any("board-2" in a.text for a in here.store.alarms), "an alarm")
        await here.until(lambda: "board-2" in here.text.split("prop")[0], "it is on the strip")
        alarm = next(a for a in here.store.alarms if "board-2" in a.text)
        assert isinstance(alarm, AlarmView)
        assert alarm.remedy.split()[0] in here.text
        assert tour.step is SIMULATED[1]
        assert "Tour 2 of 10" in here.text


async def test_on_a_real_site_it_moves_nothing(real: House) -> None:
    """Its own keys from beginning to end: no request, no output, no stop, nothing in the ledger."""
    async with sitting(real) as here:
        await opened(here)
        before = kinds_after(real, here)
        tour, outcomes = offered(here)
        marks = [bench.mark() for bench in real.benches]
        did = dict(here.console.desk.did)
        await here.press("f3")
        assert tour.step is REAL[0]
        assert "A real site" in here.text
        await by_its_keys(here, tour, len(REAL) + 1)
        assert tour.stage is Stage.DONE
        assert outcomes == [Outcome.TAKEN]
        assert here.states() == {PropState.ARMED}
        assert not here.store.stop.latched
        assert not any(p.outputs & PUSH for b, m in zip(real.benches, marks, strict=True)
                       for p in b.since(m))  # fmt: skip
        more = {k for k, n in here.console.desk.did.items() if n != did.get(k, 0)}
        assert more == {"why", "help"}, "which ask the engine for nothing"
        assert kinds_after(real, here) == before


def kinds_after(house: House, here: Sitting) -> set[str]:
    """The kinds in the ledger once all that was asked is in it."""
    assert call(house.sockets.socket, "note", {"by": here.console.desk.who, "text": "here"}).ok
    return kinds(house)
