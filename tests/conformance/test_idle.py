"""Idle movement: only while armed, ended by a trigger at a safe point, never a cycle."""

from __future__ import annotations

from drivers.messages import Arm, CycleRecord, Disarm, Fire, Meters, PropReport, Select
from drivers.words import OutputKind, PropFlags, SequenceKind, Sources, State, Trigger
from tests.boards import BoardProcess, Console
from tests.conformance.stage import (
    EVERY,
    SENSOR,
    Item,
    Stored,
    armed,
    given_input,
    output,
    prepare,
    prop,
    wait_cycle,
)

TWITCH = Stored(2, 600, ("0:2+", "500:2-"), kind=SequenceKind.IDLE)
SCARE = Stored(1, 200, ("0:1+", "150:1-"))


def restless(least: int = 50, most: int = 100) -> tuple[Item, ...]:
    """A prop that twitches with output 2 and scares with output 1."""
    return (
        prop(idle=2, least=least, most=most),
        output(1),
        output(2),
        given_input(SENSOR),
    )


def test_it_moves_only_while_armed(board: BoardProcess, console: Console) -> None:
    """Disarmed nothing; armed it twitches, with a flag, again and again; disarmed it ends."""
    prepare(console, restless(), SCARE, TWITCH)
    mark = board.bench.mark()
    console.rest(0.4)
    assert board.bench.since(mark) == []
    console.yes(Arm, 1, EVERY)
    report = console.wait(PropReport, lambda r: r.flags & PropFlags.IDLE_RUNNING, since=0)
    assert (report.state, report.running) == (State.ARMED, 2)
    board.bench.outputs(0b10)
    board.bench.outputs(0)
    board.bench.outputs(0b10)
    console.ask(Disarm(console.next_id(), 1))
    board.bench.outputs(0, seconds=0.3)
    mark = board.bench.mark()
    console.rest(0.4)
    assert board.bench.since(mark) == []


def test_it_is_no_cycle_but_its_strokes_count(board: BoardProcess, console: Console) -> None:
    """No record and no number, yet the meter goes up."""
    armed(console, restless(), SCARE, TWITCH)
    board.bench.outputs(0b10)
    board.bench.outputs(0)
    console.rest(0.1)
    assert not [m for m in console.heard() if isinstance(m, CycleRecord)]
    assert console.prop_report().number == 0
    assert int(console.yes(Meters, 2)[0]) >= 1


def test_a_trigger_waits_for_the_safe_point(board: BoardProcess, console: Console) -> None:
    """A sensor in mid-twitch: the motion ends first, then the scare begins at once."""
    armed(console, restless(), SCARE, TWITCH)
    board.bench.outputs(0b10)
    mark = board.bench.mark()
    board.bench.set(SENSOR, 0)
    assert wait_cycle(console, 1).trigger is Trigger.SENSOR
    seen = board.bench.since(mark)
    assert [p.outputs for p in seen][:2] in ([0, 1], [1, 0])
    assert 0b11 not in [p.outputs for p in seen]
    off = next(p for p in seen if p.outputs == 0)
    on = next(p for p in seen if p.outputs == 1)
    assert abs(on.at_us - off.at_us) < 160_000


def test_a_fire_ends_it_too(board: BoardProcess, console: Console) -> None:
    """FIRE is granted in mid-twitch, once; the cycle follows at the safe point."""
    armed(console, restless(), SCARE, TWITCH)
    board.bench.outputs(0b10)
    console.yes(Fire, 1)
    assert console.no(Fire, 1) == "running"
    assert wait_cycle(console, 1).trigger is Trigger.OPERATOR


def test_where_no_motion_is_on_the_scare_begins_at_once(
    board: BoardProcess, console: Console
) -> None:
    """A glow as idle movement has safe points everywhere: the light goes, the scare comes."""
    items = (
        prop(idle=2, least=50, most=100),
        output(1),
        output(2, kind=OutputKind.LIGHT),
        given_input(SENSOR),
    )
    glow = Stored(2, 3000, ("0:2+", "2900:2-"), kind=SequenceKind.IDLE)
    armed(console, items, SCARE, glow)
    board.bench.outputs(0b10)
    mark = board.bench.mark()
    console.yes(Fire, 1)
    on = board.bench.wait(lambda p: p.outputs == 1, seconds=0.3, since=mark)
    assert on.outputs == 1


def test_a_disarm_forgets_the_trigger_that_waits(board: BoardProcess, console: Console) -> None:
    """Disarmed before the safe point: no cycle comes after it."""
    armed(console, restless(), SCARE, TWITCH)
    board.bench.outputs(0b10)
    console.yes(Fire, 1)
    console.ask(Disarm(console.next_id(), 1))
    board.bench.outputs(0, seconds=0.3)
    mark = board.bench.mark()
    console.rest(0.6)
    assert board.bench.since(mark) == []


def test_a_stop_ends_it(board: BoardProcess, console: Console) -> None:
    """The byte switches an idle movement off like everything else."""
    armed(console, restless(), SCARE, TWITCH)
    board.bench.outputs(0b10)
    console.wire.stop_byte()
    board.bench.outputs(0, seconds=0.3)
    mark = board.bench.mark()
    console.rest(0.4)
    assert board.bench.since(mark) == []


def test_it_waits_between_its_bounds(board: BoardProcess, console: Console) -> None:
    """The first movement comes neither before the least nor after the most time."""
    prepare(console, restless(400, 500), SCARE, TWITCH)
    mark = board.bench.mark()
    console.yes(Arm, 1, Sources.OPERATOR)
    began = board.bench.pins().at_us
    on = board.bench.wait(lambda p: p.outputs == 0b10, since=mark)
    assert 330_000 <= on.at_us - began <= 640_000


def test_a_waiting_cycle_keeps_its_sequence(board: BoardProcess, console: Console) -> None:
    """Selected after the trigger came: of the cycle after it, not of the one that waits."""
    other = Stored(3, 100, ("0:1+", "20:1-"))
    armed(console, restless(), SCARE, TWITCH, other)
    board.bench.outputs(0b10)
    console.yes(Fire, 1)
    console.yes(Select, 1, 3)
    assert wait_cycle(console, 1).sequence == 1
