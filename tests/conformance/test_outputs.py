"""What a board does with its outputs by itself: limits, ends, travels, strokes."""

from __future__ import annotations

import time

import pytest

from drivers.messages import Arm, Disarm, Fire, Hold, Meters, PropReport
from drivers.messages import Test as RunTest
from drivers.words import (
    AtStop,
    EventKind,
    FaultKind,
    InputKind,
    Outcome,
    OutputKind,
    PropFlags,
    State,
)
from tests.boards import BoardProcess, Console
from tests.conformance.stage import (
    BASIC,
    EVERY,
    Item,
    Stored,
    armed,
    given_input,
    output,
    prepare,
    prop,
    wait_cycle,
    wait_event,
)

OUT, HOME = 1, 2


def test_the_largest_on_time(board: BoardProcess, console: Console) -> None:
    """The board switches the output off by itself, faults the prop, cuts the cycle and tells."""
    items = (prop(), output(1, longest=250), output(2))
    armed(console, items, Stored(1, 1000, ("0:1+", "0:2+", "900:1-", "900:2-")))
    mark = board.bench.mark()
    console.yes(Fire, 1)
    on = board.bench.wait(lambda p: p.outputs == 0b11, since=mark)
    off = board.bench.wait(lambda p: not p.outputs & 1, since=mark + 1)
    # On a busy machine either change may be seen late.
    assert 225_000 <= off.at_us - on.at_us <= 320_000
    board.bench.outputs(0, seconds=0.2)
    event = wait_event(console, EventKind.FAULT, since=0)
    assert (event.prop, event.detail, event.value) == (1, FaultKind.ON_TIME, 1)
    assert wait_cycle(console, 1).outcome is Outcome.FAULT
    assert console.prop_report().state is State.FAULT


def test_a_step_at_the_limit_is_in_time(console: Console) -> None:
    """Off exactly when the largest on-time is over is no fault."""
    armed(console, (prop(), output(1, longest=200)), Stored(1, 300, ("0:1+", "200:1-")))
    console.yes(Fire, 1)
    assert wait_cycle(console, 1).outcome is Outcome.DONE


def test_holding_again_and_again_meets_the_limit(board: BoardProcess, console: Console) -> None:
    """A hold that is renewed does not begin the largest on-time anew."""
    prepare(console, (prop(), output(1, longest=400)), SHORT_ONE)
    console.yes(Hold, 1, 300)
    console.rest(0.2)
    console.yes(Hold, 1, 300)
    console.wait(PropReport, lambda r: r.state is State.FAULT)
    board.bench.outputs(0, seconds=0.2)


SHORT_ONE = Stored(1, 100, ("0:1+", "50:1-"))


def test_a_lamp_goes_off_without_a_fault(board: BoardProcess, console: Console) -> None:
    """A light at its largest on-time goes off, and the cycle goes on."""
    items = (prop(), output(1, kind=OutputKind.LIGHT, longest=150), output(2))
    armed(console, items, Stored(1, 500, ("0:1+", "0:2+", "400:2-")))
    mark = board.bench.mark()
    console.yes(Fire, 1)
    assert wait_cycle(console, 1).outcome is Outcome.DONE
    assert [p.outputs for p in board.bench.since(mark)][-3:] == [0b11, 0b10, 0]


def test_another_prop_is_not_touched_by_a_fault(console: Console) -> None:
    """A fault is one prop's; the other stays armed."""
    if console.hello().props < 2:
        pytest.skip("a board of one prop")
    items = (prop(), prop(2, sequence=2), output(1, longest=100), output(2, prop=2))
    armed(console, items, Stored(1, 400, ("0:1+",)), Stored(2, 100, ("0:2+", "50:2-"), prop=2))
    console.yes(Arm, 2, EVERY)
    console.yes(Fire, 1)
    console.wait(PropReport, lambda r: r.prop == 1 and r.state is State.FAULT)
    assert console.prop_report(2).state is State.ARMED
    console.yes(Fire, 2)


def test_what_the_end_of_a_sequence_leaves_on(board: BoardProcess, console: Console) -> None:
    """Motion, sound and fog go off; lights set to keep or on, and the air, stay."""
    items = (
        prop(),
        output(1),
        output(2, kind=OutputKind.LIGHT, at_stop=AtStop.KEEP),
        output(3, kind=OutputKind.LIGHT, at_stop=AtStop.OFF),
        output(4, kind=OutputKind.DUMP),
    )
    armed(console, items, Stored(1, 150, ("0:1+", "0:2+", "0:3+", "0:4+")))
    console.yes(Fire, 1)
    wait_cycle(console, 1)
    board.bench.outputs(0b1010, seconds=0.3)
    console.ask(Disarm(console.next_id(), 1))
    board.bench.outputs(0, seconds=0.3)


def test_a_sequence_lasts_as_long_as_it_says(board: BoardProcess, console: Console) -> None:
    """The length counts, not the last step."""
    armed(console, BASIC, Stored(1, 400, ("0:1+", "50:1-")))
    console.yes(Fire, 1)
    record = wait_cycle(console, 1)
    assert 399 <= record.duration_ms <= 420


def with_ends(travel: int = 0) -> tuple[Item, ...]:
    """A motion with both end sensors."""
    return (
        prop(),
        output(1, out=OUT, home=HOME, travel=travel),
        given_input(OUT, InputKind.END, debounce=5),
        given_input(HOME, InputKind.END, debounce=5),
    )


def test_travels_are_measured(board: BoardProcess, console: Console) -> None:
    """Out after some 200 ms, home after some 100 ms: both in the record, as words."""
    board.bench.set(HOME, 0)
    armed(console, with_ends(), Stored(1, 800, ("0:1+", "450:1-")))
    console.yes(Fire, 1)
    board.bench.outputs(0b1)
    board.bench.set(HOME, 1)
    console.rest(0.2)
    board.bench.set(OUT, 0)
    board.bench.outputs(0)
    board.bench.set(OUT, 1)
    console.rest(0.1)
    board.bench.set(HOME, 0)
    words = wait_cycle(console, 1).travels
    assert [word[:2] for word in words] == ["1>", "1<"]
    assert 180 <= int(words[0][2:]) <= 330
    assert 90 <= int(words[1][2:]) <= 230


def test_a_late_motion_is_told(board: BoardProcess, console: Console) -> None:
    """Not there within travel_ms: an event with the output; the cycle goes on."""
    board.bench.set(HOME, 0)
    armed(console, with_ends(travel=150), Stored(1, 500, ("0:1+", "400:1-")))
    console.yes(Fire, 1)
    event = wait_event(console, EventKind.LATE, since=0)
    assert (event.prop, event.value) == (1, 1)
    record = wait_cycle(console, 1)
    assert record.outcome is Outcome.DONE
    assert event.ms - record.ms in range(149, 200)


def test_a_motion_in_time_is_not_late(board: BoardProcess, console: Console) -> None:
    """Reversed before its time is up, or arrived: no event."""
    board.bench.set(HOME, 0)
    armed(console, with_ends(travel=300), Stored(1, 500, ("0:1+", "100:1-")))
    console.yes(Fire, 1)
    wait_cycle(console, 1)
    console.rest(0.5)
    assert not [m for m in console.heard() if m.verb == "EVENT"]


def test_not_home_is_a_flag_until_it_is(board: BoardProcess, console: Console) -> None:
    """An output that is off with its home sensor inactive."""
    prepare(console, with_ends())
    console.wait(PropReport, lambda r: r.flags & PropFlags.NOT_HOME, since=0)
    board.bench.set(HOME, 0)
    console.wait(PropReport, lambda r: not r.flags & PropFlags.NOT_HOME)


def test_strokes_are_counted_for_life(board: BoardProcess, console: Console) -> None:
    """Each switching on counts, in cycles, tests and holds; after a stop a cut loses none."""
    prepare(console, (prop(rest=0), *BASIC[1:]), Stored(1, 90, ("0:1+", "20:1-", "40:1+", "60:2+")))
    assert console.yes(Meters, 1)[:2] == ("0", "0")
    console.yes(Arm, 1, EVERY)
    console.yes(Fire, 1)
    wait_cycle(console, 1)
    console.ask(Disarm(console.next_id(), 1))
    console.rest(0.1)
    console.yes(RunTest, 1, 1)
    wait_cycle(console, 2)
    mark = board.bench.mark()
    console.yes(Hold, 2, 200)
    console.yes(Hold, 2, 200)
    board.bench.wait(lambda p: p.outputs == 0b10, since=mark)
    board.bench.outputs(0)
    assert console.yes(Meters, 1)[:2] == ("4", "3")
    assert console.yes(Meters, 2)[0] == "3"
    console.wire.stop_byte()
    console.rest(1.5)
    board.bench.cut()
    board.bench.power()
    console.wire.quiet(0.15)
    console.open(0x9999)
    assert console.yes(Meters, 1)[:2] == ("4", "3")


def test_travels_are_at_most_eight(board: BoardProcess, console: Console) -> None:
    """A cycle of many strokes keeps its first travels, and its record stays a frame."""
    steps = tuple(
        f"{at}:1{sign}" for n in range(12) for at, sign in ((n * 160, "+"), (n * 160 + 100, "-"))
    )
    items = (prop(), output(1, out=OUT), given_input(OUT, InputKind.END, debounce=0))
    armed(console, items, Stored(1, 2000, steps))
    console.yes(Fire, 1)
    end = time.monotonic() + 2.0
    while time.monotonic() < end:
        board.bench.set(OUT, 0)
        console.rest(0.02)
        board.bench.set(OUT, 1)
        console.rest(0.02)
    record = wait_cycle(console, 1)
    assert 3 <= len(record.travels) <= 8
    assert all(word.startswith("1>") for word in record.travels)


def test_steps_together_are_one_moment(board: BoardProcess, console: Console) -> None:
    """Steps that share a time happen in their order, without a gap."""
    armed(console, BASIC, Stored(1, 200, ("50:1+", "50:2+", "100:1-", "100:2-")))
    mark = board.bench.mark()
    console.yes(Fire, 1)
    wait_cycle(console, 1)
    seen = board.bench.since(mark)
    both = next(p for p in seen if p.outputs == 0b11)
    assert both.at_us - seen[0].at_us < 20_000
