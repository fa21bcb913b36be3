"""The record of every cycle: kept until acknowledged, over resets and without power."""

from __future__ import annotations

import itertools
import os
import signal
import time
from pathlib import Path

import pytest

from drivers.messages import Ack, Arm, CycleRecord, Fire, Poll, PropReport
from drivers.words import Outcome, State, Trigger
from tests.boards import KINDS, BoardProcess, Console, Wire, running
from tests.conformance.stage import (
    BASIC,
    EVERY,
    LONG,
    Stored,
    armed,
    output,
    prepare,
    prop,
    wait_cycle,
)

QUICK = (prop(rest=0), *BASIC[1:])
BLINK = Stored(1, 10, ("0:1+", "5:1-"))


def fire(console: Console, times: int) -> None:
    """Runs quick cycles by hand, one after the other."""
    for _ in range(times):
        end = time.monotonic() + 2
        while console.do(Fire, 1).verb != "YES":
            assert time.monotonic() < end
            console.wire.look(0.005)


def heard(console: Console, since: int = 0) -> list[CycleRecord]:
    """The cycle records heard, repeats included."""
    return [m for m in console.heard(since) if isinstance(m, CycleRecord)]


def counters(console: Console) -> PropReport:
    """A fresh PROP of prop 1."""
    console.rest(0.15)
    return console.prop_report()


def again(board: BoardProcess, session: int) -> Console:
    """A new session after the board came up anew."""
    wire = Wire(board.port)
    console = Console(wire)
    console.open(session)
    return console


def test_a_record_is_repeated_until_acknowledged(console: Console) -> None:
    """Every half second the same, until ACK; then no more."""
    armed(console)
    console.yes(Fire, 1)
    first = wait_cycle(console, 1)
    console.rest(1.3)
    times = [h.at for h in console.wire.heard if isinstance(h.message, CycleRecord)]
    assert heard(console) == [first] * len(times)
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert len(times) >= 3
    assert all(0.35 < gap < 0.9 for gap in gaps), gaps
    console.yes(Ack, first.life, 1, 1)
    mark = len(console.wire.heard)
    console.rest(0.8)
    assert heard(console, mark) == []
    report = counters(console)
    assert (report.number, report.oldest, report.life) == (1, 0, first.life)


def test_records_come_one_at_a_time_oldest_first(console: Console) -> None:
    """Only the oldest is outstanding; the next comes at once when it is acknowledged."""
    armed(console, QUICK, BLINK)
    fire(console, 3)
    console.rest(0.3)
    assert {r.number for r in heard(console)} == {1}
    report = counters(console)
    assert (report.number, report.oldest) == (3, 1)
    for number in (1, 2, 3):
        mark = len(console.wire.heard)
        record = wait_cycle(console, number, 0.7, 0 if number == 1 else mark)
        console.yes(Ack, record.life, 1, number)
    assert counters(console).oldest == 0


def test_an_unknown_cycle_can_be_acknowledged(console: Console) -> None:
    """ACK of what the board does not hold is granted and forgets nothing else."""
    armed(console)
    console.yes(Fire, 1)
    record = wait_cycle(console, 1)
    console.yes(Ack, record.life ^ 1, 1, 1)
    console.yes(Ack, record.life, 1, 99)
    console.yes(Ack, record.life, 200, 1)
    console.rest(0.3)
    assert counters(console).oldest == 1


def test_a_new_session_hears_what_is_held(console: Console) -> None:
    """Records survive the session: a new console gets them."""
    armed(console)
    console.yes(Fire, 1)
    record = wait_cycle(console, 1)
    mark = len(console.wire.heard)
    console.open(0x7777)
    assert wait_cycle(console, 1, 1.0, mark) == record


@pytest.mark.parametrize("loss", ["reset", "cut", "kill"])
def test_records_survive(board: BoardProcess, console: Console, loss: str) -> None:
    """After a reset, a power cut or a killed process: the same records, counter and life."""
    armed(console, QUICK, BLINK)
    fire(console, 3)
    first = wait_cycle(console, 1)
    console.wait(PropReport, lambda r: r.number == 3)
    lose(board, console, loss)
    new = again(board, 0x8888)
    assert wait_cycle(new, 1) == first
    second = wait_cycle(new, 3)
    assert (second.life, second.boot) == (first.life, console.boot)
    prepare(new, QUICK, BLINK)
    report = counters(new)
    assert (report.number, report.life) == (3, first.life)
    new.yes(Arm, 1, EVERY)
    fire(new, 1)
    assert wait_cycle(new, 4).boot == new.boot
    new.wire.close()


def lose(board: BoardProcess, console: Console, loss: str) -> None:
    """Takes power or life from a board and gives it back."""
    if loss == "kill":
        console.wire.close()
        board.end(signal.SIGKILL)
        board.start()
        return
    if loss == "reset":
        board.bench.reset()
    else:
        board.bench.cut()
        board.bench.power()
    console.wire.quiet(0.15)
    console.wire.close()


@pytest.mark.parametrize("loss", ["reset", "cut", "kill"])
def test_a_cycle_cut_by_a_reset_is_recorded(
    board: BoardProcess, console: Console, loss: str
) -> None:
    """More than 100 ms in: it counts, with outcome power, and the numbers go on after it."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    console.rest(0.4)
    lose(board, console, loss)
    new = again(board, 0x8888)
    record = wait_cycle(new, 1)
    assert (record.outcome, record.trigger) == (Outcome.POWER, Trigger.OPERATOR)
    assert record.boot == console.boot
    armed(new)
    new.yes(Fire, 1)
    assert wait_cycle(new, 2).outcome is Outcome.DONE
    new.wire.close()


def test_the_newest_sixteen_are_kept(board: BoardProcess, console: Console) -> None:
    """A seventeenth replaces the oldest; the counter tells how many are gone, after a cut too."""
    armed(console, QUICK, BLINK)
    fire(console, 19)
    console.wait(PropReport, lambda r: (r.number, r.oldest) == (19, 4))
    board.bench.cut()
    board.bench.power()
    console.wire.quiet(0.15)
    console.open(0x9999)
    prepare(console, QUICK, BLINK)
    assert (r := counters(console)).number == 19
    assert r.oldest == 4
    mark = len(console.wire.heard)
    wait_cycle(console, 19, since=mark)
    assert sorted({r.number for r in heard(console, mark)}) == list(range(4, 20))


def test_a_published_number_is_never_given_twice(kind: str, folder: Path) -> None:
    """Killed the moment a number was heard, a board goes on behind it, whatever it had in mind."""
    process = BoardProcess(KINDS[kind](), folder)
    published = 0
    for attempt in range(4):
        with running(process):
            wire = Wire(process.port)
            console = Console(wire)
            console.open(100 + attempt)
            armed(console, QUICK, BLINK)
            fire(console, 1)
            wait_cycle(console, published + 1)
            fire(console, 2)
            process.end(signal.SIGKILL)
            numbers = [r.number for r in heard(console)]
            numbers += [m.number for m in console.heard() if isinstance(m, PropReport)]
            assert published < max(numbers)
            published = max(numbers)
            wire.close()
    with running(process):
        wire = Wire(process.port)
        console = Console(wire)
        console.open(200)
        prepare(console, QUICK, BLINK)
        assert counters(console).number >= published
        wire.close()


def test_a_blank_memory_is_a_new_life(kind: str, folder: Path) -> None:
    """A formatted memory counts from 1 again, in a life of its own."""
    process = BoardProcess(KINDS[kind](), folder)
    lives = []
    for _ in range(2):
        with running(process):
            wire = Wire(process.port)
            console = Console(wire)
            console.open(5)
            armed(console)
            console.yes(Fire, 1)
            lives.append(wait_cycle(console, 1).life)
            wire.close()
        os.remove(process.memory("bench-1"))
    assert lives[0] != lives[1]
    assert 0 not in lives


def test_props_count_for_themselves(console: Console) -> None:
    """Each prop has its own life and numbers."""
    if console.hello().props < 2:
        pytest.skip("a board of one prop")
    items = (prop(rest=0), prop(2, rest=0, sequence=2), output(1), output(2, prop=2))
    armed(console, items, BLINK, Stored(2, 10, ("0:2+", "5:2-"), prop=2))
    console.yes(Arm, 2, EVERY)
    fire(console, 2)
    console.yes(Fire, 2)
    other = wait_cycle(console, 1, prop=2)
    mine = wait_cycle(console, 1, since=0)
    assert other.life != mine.life
    assert (counters(console).number, console.prop_report(2).number) == (2, 1)


def test_a_cycle_under_way_is_not_published(console: Console) -> None:
    """While it runs neither CYCLE nor the counter tells its number."""
    armed(console, BASIC, Stored(1, 700, ("0:1+", "600:1-")))
    console.yes(Fire, 1)
    for message in console.rest(0.4):
        assert not isinstance(message, CycleRecord)
        if isinstance(message, PropReport):
            assert (message.state, message.number) == (State.RUNNING, 0)
    wait_cycle(console, 1)
    console.wait(PropReport, lambda r: r.number == 1)


def test_the_clock_of_a_board_keeps_time(console: Console) -> None:
    """Over a second POLL's clock agrees with ours."""
    before = time.monotonic()
    first = int(console.yes(Poll, 0)[0])
    console.rest(1.0)
    second = int(console.yes(Poll, 0)[0])
    assert abs((second - first) - (time.monotonic() - before) * 1000) < 60
