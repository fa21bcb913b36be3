"""Several boards on one line: silent unless polled, each under its address."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.framing import encode
from drivers.messages import (
    ANSWERS,
    BoardReport,
    Boot,
    CycleRecord,
    EventRecord,
    Fire,
    Hello,
    Poll,
    PropReport,
    Seen,
)
from drivers.words import BoardFlags, State
from tests.boards import KINDS, BoardProcess, Console, Wire, running
from tests.conformance.stage import BASIC, LONG, armed, prepare, wait_cycle

ADDRESSES = (5, 9)


@pytest.fixture
def pair(kind: str, folder: Path) -> Iterator[BoardProcess]:
    """Two boards on one shared line."""
    boards = (("loft-a", ADDRESSES[0]), ("loft-b", ADDRESSES[1]))
    with running(BoardProcess(KINDS[kind](), folder, boards, shared=True)) as process:
        yield process


@pytest.fixture
def wire(pair: BoardProcess) -> Iterator[Wire]:
    """The shared line, opened."""
    opened = Wire(pair.port)
    yield opened
    opened.close()


@pytest.fixture
def consoles(wire: Wire) -> tuple[Console, Console]:
    """A session with each board."""
    made = (Console(wire, ADDRESSES[0], polled=True), Console(wire, ADDRESSES[1], polled=True))
    made[0].open(0xA1)
    made[1].open(0xB2)
    return made


def test_each_answers_under_its_own_address(consoles: tuple[Console, Console]) -> None:
    """Two boards, two names, and both say that the line is shared."""
    first, second = (console.hello() for console in consoles)
    assert (first.board, second.board) == ("loft-a", "loft-b")
    assert first.flags & second.flags & BoardFlags.SHARED_LINE


def test_nobody_answers_address_zero(wire: Wire) -> None:
    """Address 00 is for a board alone; here everybody would speak at once."""
    wire.send(encode(0, Hello(1).words()) + encode(7, Hello(2).words()))
    assert wire.quiet(0.3) == []


def test_silent_unless_polled(pair: BoardProcess, consoles: tuple[Console, Console]) -> None:
    """Neither boot, state, cycle nor event comes unasked."""
    prepare(consoles[0], BASIC, LONG)
    consoles[0].wire.quiet(0.1)
    pair.bench.set(0, 0, "loft-a")
    pair.bench.reset("loft-b")
    assert consoles[0].wire.quiet(1.2) == []


def test_a_poll_brings_reports_and_then_the_answer(consoles: tuple[Console, Console]) -> None:
    """Up to so many frames, all of the board that was polled, and the answer last."""
    prepare(consoles[0])
    wire = consoles[0].wire
    wire.quiet(0.3)
    for frames in (0, 1, 2, 8):
        mark = len(wire.heard)
        consoles[0].yes(Poll, frames)
        heard = wire.heard[mark:] + wire.quiet(0.05)
        assert len(heard) <= frames + 1
        assert {h.address for h in heard} == {ADDRESSES[0]}
        assert isinstance(heard[-1].message, ANSWERS)
        assert not any(isinstance(h.message, ANSWERS) for h in heard[:-1])


def test_everything_comes_in_turn(consoles: tuple[Console, Console]) -> None:
    """Polled for one frame at a time, a board still tells of itself and its prop."""
    prepare(consoles[0])
    mark = len(consoles[0].wire.heard)
    for _ in range(12):
        consoles[0].yes(Poll, 1)
        consoles[0].wire.quiet(0.03)
    kinds = {type(m) for m in consoles[0].heard(mark)}
    assert {BoardReport, PropReport} <= kinds


def test_the_boot_is_told_at_the_first_poll(
    pair: BoardProcess, consoles: tuple[Console, Console]
) -> None:
    """After a reset: nothing, until somebody opened a session and polled."""
    pair.bench.reset("loft-a")
    consoles[0].wire.quiet(0.15)
    consoles[0].open(0xA2)
    mark = len(consoles[0].wire.heard)
    consoles[0].yes(Poll, 4)
    assert isinstance(consoles[0].heard(mark)[0], Boot)


def test_events_come_first(consoles: tuple[Console, Console]) -> None:
    """An event goes before everything else in the answer to POLL."""
    console = consoles[0]
    prepare(console)
    console.yes(Poll, 8)
    console.wire.stop_byte()
    mark = len(console.wire.heard)
    console.yes(Poll, 1)
    assert [m.verb for m in console.heard(mark)] == ["EVENT", "YES"]


def test_a_night_on_a_shared_line(pair: BoardProcess, consoles: tuple[Console, Console]) -> None:
    """Armed, fired and recorded, one board not disturbing the other."""
    for console in consoles:
        armed(console)
    for console in consoles:
        console.yes(Fire, 1)
    for console in consoles:
        mark = len(console.wire.heard)
        record = wait_cycle(console, 1, since=mark)
        assert record.prop == 1
    lives = {m.life for c in consoles for m in c.heard() if isinstance(m, CycleRecord)}
    assert len(lives) == 2
    for console in consoles:
        console.wait(PropReport, lambda r: r.state is State.ARMED)


def test_the_stop_byte_reaches_everybody(
    pair: BoardProcess, consoles: tuple[Console, Console]
) -> None:
    """One byte, with no address: both boards off and latched, in silence."""
    for console, name in zip(consoles, ("loft-a", "loft-b"), strict=True):
        armed(console, BASIC, LONG)
        console.yes(Fire, 1)
        pair.bench.outputs(0b01, board=name)
    wire = consoles[0].wire
    wire.quiet(0.05)
    mark = len(wire.heard)
    wire.stop_byte()
    for name in ("loft-a", "loft-b"):
        pair.bench.outputs(0, 1, name)
    assert wire.heard[mark:] + wire.quiet(0.2) == []
    assert all(console.hello().stop for console in consoles)


def test_a_repeated_poll_is_answered_again(consoles: tuple[Console, Console]) -> None:
    """The same poll again gives the same answer alone: what it reported is not reported twice."""
    poll = consoles[0].make(Poll, 8)
    answer = consoles[0].ask(poll)
    mark = len(consoles[0].wire.heard)
    assert consoles[0].ask(poll) == answer
    assert consoles[0].heard(mark) == [answer]


def test_an_event_is_repeated_at_later_polls(consoles: tuple[Console, Console]) -> None:
    """Not at each poll, but each half second until SEEN."""
    console = consoles[0]
    console.wire.stop_byte()
    event = console.wait(EventRecord)
    mark = len(console.wire.heard)
    console.rest(1.2)
    again = [m for m in console.heard(mark) if isinstance(m, EventRecord)]
    assert set(again) == {event}
    assert 2 <= len(again) <= 3
    console.yes(Seen, event.number)
    mark = len(console.wire.heard)
    console.rest(0.7)
    assert not [m for m in console.heard(mark) if isinstance(m, EventRecord)]
