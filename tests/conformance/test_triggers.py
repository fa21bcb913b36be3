"""Sensors and buttons: edges, debouncing, sources, warm-up, clear-first, and what is missed."""

from __future__ import annotations

import time

from drivers.messages import (
    Arm,
    BoardReport,
    CycleRecord,
    Disarm,
    EventRecord,
    Poll,
    PropReport,
    Stop,
)
from drivers.words import EventKind, InputKind, Level, PropFlags, Sources, State, Trigger
from tests.boards import BoardProcess, Console
from tests.conformance.stage import (
    ACTOR,
    BASIC,
    EVERY,
    LONG,
    SENSOR,
    SHORT,
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


def on(board: BoardProcess, number: int = SENSOR) -> None:
    """Makes an input active."""
    board.bench.set(number, 0)


def off(board: BoardProcess, number: int = SENSOR) -> None:
    """Makes an input inactive."""
    board.bench.set(number, 1)


def missed(console: Console) -> list[str]:
    """The reasons of the missed triggers heard so far, each event once."""
    events = {m.number: m for m in console.heard() if isinstance(m, EventRecord)}
    return [e.detail for _, e in sorted(events.items()) if e.kind is EventKind.MISSED]


def cycles(console: Console) -> int:
    """How many cycles were heard of."""
    return len({m.number for m in console.heard() if isinstance(m, CycleRecord)})


def sensor_only(**changes: int) -> tuple[Item, ...]:
    """The basic prop with another kind of sensor."""
    return (prop(), output(1), output(2), given_input(SENSOR, **changes))


def test_a_sensor_starts_a_cycle(board: BoardProcess, console: Console) -> None:
    """Active for the debounce time: the first step follows at once; the record says sensor."""
    armed(console)
    sent = time.monotonic_ns() // 1000
    on(board)
    pins = board.bench.wait(lambda p: p.outputs == 0b01)
    assert 19_000 <= pins.at_us - sent < 100_000
    assert wait_cycle(console, 1).trigger is Trigger.SENSOR


def test_a_button_starts_a_cycle(board: BoardProcess, console: Console) -> None:
    """A helper's button is a source of its own."""
    armed(console)
    on(board, ACTOR)
    assert wait_cycle(console, 1).trigger is Trigger.ACTOR


def test_an_active_high_input(board: BoardProcess, console: Console) -> None:
    """The setup says at which level an input is active."""
    items = (prop(), output(1), output(2), given_input(SENSOR, level=Level.HIGH))
    board.bench.set(SENSOR, 0)
    armed(console, items)
    board.bench.set(SENSOR, 1)
    assert wait_cycle(console, 1).trigger is Trigger.SENSOR


def test_inputs_are_reported_active(board: BoardProcess, console: Console) -> None:
    """A bit of STATE's inputs is 1 while the input is active, whatever its level."""
    prepare(console)
    on(board, ACTOR)
    console.wait(BoardReport, lambda r: r.inputs == 1 << (ACTOR - 1))
    off(board, ACTOR)
    console.wait(BoardReport, lambda r: r.inputs == 0)


def test_it_is_the_change_that_counts(board: BoardProcess, console: Console) -> None:
    """A sensor that stays active starts one cycle; it must clear and come again for the next."""
    armed(console)
    on(board)
    wait_cycle(console, 1)
    console.rest(0.6)
    assert cycles(console) == 1
    off(board)
    console.rest(0.1)
    on(board)
    wait_cycle(console, 2)


def test_a_short_pulse_is_bounce(board: BoardProcess, console: Console) -> None:
    """Active for less than the debounce time is nothing, not even missed."""
    armed(console, sensor_only(debounce=400))
    for _ in range(5):
        on(board)
        off(board)
    console.rest(0.6)
    assert cycles(console) == 0
    assert missed(console) == []
    sent = time.monotonic_ns() // 1000
    on(board)
    assert board.bench.wait(lambda p: p.outputs).at_us - sent >= 399_000


def test_a_source_that_is_off_is_missed(board: BoardProcess, console: Console) -> None:
    """Hand only: the sensor is ignored and told, the button still works."""
    armed(console)
    console.yes(Arm, 1, Sources.ACTOR | Sources.OPERATOR)
    on(board)
    event = wait_event(console, EventKind.MISSED, since=0)
    assert (event.prop, event.detail, event.value) == (1, "source-off", SENSOR)
    on(board, ACTOR)
    wait_cycle(console, 1)


def test_a_disarmed_prop_misses(board: BoardProcess, console: Console) -> None:
    """A trigger that finds the prop disarmed is told as missed."""
    prepare(console)
    on(board)
    assert wait_event(console, EventKind.MISSED, since=0).detail == "disarmed"


def test_a_stopped_prop_misses(board: BoardProcess, console: Console) -> None:
    """While a stop is latched the reason is latched."""
    prepare(console)
    console.ask(Stop(console.next_id(), 0xAA))
    on(board)
    assert wait_event(console, EventKind.MISSED, since=0).detail == "latched"


def test_running_and_resting_are_missed(board: BoardProcess, console: Console) -> None:
    """A second guest in mid-cycle, a third in the rest."""
    armed(console, (prop(rest=700), *BASIC[1:]), Stored(1, 400, ("0:1+", "350:1-")))
    on(board)
    board.bench.outputs(0b01)
    on(board, ACTOR)
    console.rest(0.1)
    off(board, ACTOR)
    wait_cycle(console, 1)
    on(board, ACTOR)
    events = [wait_event(console, EventKind.MISSED, since=0)]
    mark = len(console.wire.heard)
    events.append(wait_event(console, EventKind.MISSED, since=mark))
    assert [e.detail for e in events] == ["running", "resting"]
    assert {e.value for e in events} == {ACTOR}


def test_missed_triggers_are_told_four_times_a_second(
    board: BoardProcess, console: Console
) -> None:
    """A bouncing mat must not drown the line."""
    items = (prop(), output(1), output(2), given_input(SENSOR, debounce=0))
    prepare(console, items)
    for _ in range(12):
        on(board)
        off(board)
        time.sleep(0.005)
    mark = len(console.wire.heard)
    for _ in range(4):
        wait_event(console, EventKind.MISSED, since=mark)
        mark = len(console.wire.heard)
    console.rest(0.4)
    assert missed(console) == ["disarmed"] * 4


def test_found_active_at_arming_must_clear_first(board: BoardProcess, console: Console) -> None:
    """With clear_first 1 a blocked sensor is a flag, and counts once it has cleared."""
    prepare(console)
    on(board)
    console.rest(0.1)
    console.yes(Arm, 1, EVERY)
    console.wait(PropReport, lambda r: r.flags & PropFlags.SENSOR_BLOCKED)
    console.rest(0.2)
    assert cycles(console) == 0
    off(board)
    console.wait(PropReport, lambda r: not r.flags & PropFlags.SENSOR_BLOCKED)
    on(board)
    wait_cycle(console, 1)


def test_found_active_at_arming_counts_without_clear_first(
    board: BoardProcess, console: Console
) -> None:
    """With clear_first 0 whoever stands there when it is armed is a trigger."""
    prepare(console, sensor_only(clear_first=0))
    on(board)
    console.rest(0.1)
    console.yes(Arm, 1, EVERY)
    assert wait_cycle(console, 1).trigger is Trigger.SENSOR


def test_found_active_after_the_rest(board: BoardProcess, console: Console) -> None:
    """Came in the rest and is still there: blocked with clear_first, a cycle without."""
    items = (
        prop(rest=400),
        output(1),
        output(2),
        given_input(SENSOR),
        given_input(ACTOR, InputKind.ACTOR, clear_first=0),
    )
    armed(console, items)
    on(board)
    record = wait_cycle(console, 1)
    assert record.trigger is Trigger.SENSOR
    off(board)
    console.rest(0.05)
    on(board)
    console.wait(PropReport, lambda r: r.flags & PropFlags.SENSOR_BLOCKED, since=0)
    console.rest(0.3)
    assert cycles(console) == 1
    off(board)
    console.rest(0.05)
    on(board)
    wait_cycle(console, 2)
    on(board, ACTOR)
    assert wait_cycle(console, 3).trigger is Trigger.ACTOR
    assert {"resting"} == set(missed(console))


def test_a_cold_sensor_does_not_count(board: BoardProcess, console: Console) -> None:
    """Until its warm-up is over a sensor's trigger is missed, and the prop says so."""
    board.bench.reset()
    console.wire.quiet(0.1)
    console.open(0x3333)
    mark = len(console.wire.heard)
    armed(console, sensor_only(warm=1000))
    report = console.wait(PropReport, lambda r: r.state is State.ARMED, since=mark)
    assert report.flags & PropFlags.WARMING_UP
    on(board)
    assert wait_event(console, EventKind.MISSED, since=0).detail == "warming-up"
    off(board)
    console.wait(PropReport, lambda r: not r.flags & PropFlags.WARMING_UP, seconds=4)
    on(board)
    wait_cycle(console, 1)


def test_a_disarmed_prop_does_nothing(board: BoardProcess, console: Console) -> None:
    """After DISARM neither sensor nor button moves anything."""
    armed(console)
    console.ask(Disarm(console.next_id(), 1))
    mark = board.bench.mark()
    on(board)
    on(board, ACTOR)
    console.rest(0.3)
    assert board.bench.since(mark) == []


def test_two_triggers_at_once_are_one_cycle(board: BoardProcess, console: Console) -> None:
    """Sensor and button together start one cycle; the other is missed while running."""
    armed(console, BASIC, SHORT)
    on(board)
    on(board, ACTOR)
    wait_cycle(console, 1)
    console.rest(0.4)
    assert cycles(console) == 1
    assert missed(console) == ["running"]


def test_the_record_keeps_the_boards_clock(board: BoardProcess, console: Console) -> None:
    """A cycle's ms is the board's clock at its start, as POLL gives it."""
    armed(console, BASIC, LONG)
    before = int(console.yes(Poll, 0)[0])
    on(board)
    board.bench.outputs(0b01)
    after = int(console.yes(Poll, 0)[0])
    console.wire.stop_byte()
    record = wait_cycle(console, 1)
    assert before <= record.ms <= after
    assert record.boot == console.boot
