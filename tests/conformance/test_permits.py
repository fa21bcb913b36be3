"""Arm, fire, test, select, hold, tag and mend: what they do and why they are refused."""

from __future__ import annotations

from drivers.messages import (
    Arm,
    BoardReport,
    CycleRecord,
    Disarm,
    Fire,
    Hold,
    Lamp,
    Mend,
    PropReport,
    Select,
    Tag,
    Untag,
)
from drivers.messages import Test as RunTest
from drivers.words import (
    EventKind,
    InputKind,
    Level,
    Outcome,
    PropFlags,
    SequenceKind,
    Sources,
    State,
    Trigger,
)
from tests.boards import BoardProcess, Console
from tests.conformance.stage import (
    BASIC,
    EVERY,
    LONG,
    OTHER,
    SHORT,
    TWO,
    Stored,
    armed,
    given_input,
    output,
    prepare,
    prop,
    upload_sequence,
    upload_setup,
    wait_cycle,
    wait_event,
)

AREA, HOME = 3, 3


def state(
    console: Console, wanted: State, prop_number: int = 1, seconds: float = 3.0
) -> PropReport:
    """Waits until the prop is in this state."""
    return console.wait(PropReport, lambda r: r.prop == prop_number and r.state is wanted, seconds)


def test_the_states_of_a_cycle_by_hand(board: BoardProcess, console: Console) -> None:
    """armed, running, resting, armed; the steps at the pins; the record says operator."""
    prepare(console)
    mark = len(console.wire.heard)
    console.yes(Arm, 1, EVERY)
    at_pins = board.bench.mark()
    console.yes(Fire, 1)
    state(console, State.RESTING)
    state(console, State.ARMED)
    states = [m.state for m in console.heard(mark) if isinstance(m, PropReport)]
    in_order = [s for s, before in zip(states, [None, *states], strict=False) if s is not before]
    assert in_order[-4:] == [State.ARMED, State.RUNNING, State.RESTING, State.ARMED]
    assert [p.outputs for p in board.bench.since(at_pins)] == [0b01, 0b11, 0b10, 0]
    record = wait_cycle(console, 1)
    assert (record.trigger, record.outcome) == (Trigger.OPERATOR, Outcome.DONE)


def test_steps_keep_their_times(board: BoardProcess, console: Console) -> None:
    """0, 100, 200 and 250 ms after the start, at the pins and in the record."""
    armed(console, BASIC, Stored(1, 300, ("0:1+", "100:2+", "200:1-", "250:2-")))
    mark = board.bench.mark()
    console.yes(Fire, 1)
    record = wait_cycle(console, 1)
    seen = board.bench.since(mark)
    times = [(p.at_us - seen[0].at_us) / 1000 for p in seen]
    for measured, planned in zip(times, (0, 100, 200, 250), strict=True):
        assert abs(measured - planned) < 30, times
    assert 299 <= record.duration_ms <= 310


def test_arm_reasons(console: Console) -> None:
    """No setup, no sequence, a wrong checksum's sequence: not armed; then armed."""
    assert console.no(Arm, 1, EVERY) == "setup"
    upload_setup(console)
    assert console.no(Arm, 1, EVERY) == "sequence"
    upload_sequence(console, SHORT)
    if console.hello().props > 1:
        assert console.no(Arm, 2, EVERY) == "setup"
    console.yes(Arm, 1, EVERY)
    assert state(console, State.ARMED).sources == EVERY


def test_arming_again_changes_the_sources(console: Console) -> None:
    """An armed prop takes other sources without leaving its state."""
    armed(console)
    console.yes(Arm, 1, Sources.OPERATOR)
    report = console.wait(PropReport, lambda r: r.sources == Sources.OPERATOR, since=0)
    assert report.state is State.ARMED
    assert console.no(Arm, 1, Sources(8)) == "value"


def test_sources_can_change_in_mid_cycle(console: Console) -> None:
    """An armed prop's cycle goes on while its sources change."""
    armed(console)
    console.yes(Fire, 1)
    mark = len(console.wire.heard)
    console.yes(Arm, 1, Sources.ACTOR)
    report = console.wait(PropReport, lambda r: r.sources == Sources.ACTOR, since=mark)
    assert report.state is State.RUNNING
    assert wait_cycle(console, 1).outcome is Outcome.DONE


def test_fire_reasons(board: BoardProcess, console: Console) -> None:
    """disarmed, running, resting and source-off, each in its turn."""
    prepare(console)
    assert console.no(Fire, 1) == "disarmed"
    console.yes(Arm, 1, EVERY)
    console.yes(Fire, 1)
    assert console.no(Fire, 1) == "running"
    wait_cycle(console, 1)
    assert console.no(Fire, 1) == "resting"
    state(console, State.ARMED)
    console.yes(Arm, 1, Sources.SENSOR)
    assert console.no(Fire, 1) == "source-off"


def test_disarming_cuts_the_cycle(board: BoardProcess, console: Console) -> None:
    """Outputs off at once; the record says disarmed; no further step is played."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    console.ask(Disarm(console.next_id(), 1))
    board.bench.outputs(0, seconds=0.5)
    assert wait_cycle(console, 1).outcome is Outcome.DISARMED
    state(console, State.DISARMED)
    mark = board.bench.mark()
    console.rest(0.2)
    assert board.bench.since(mark) == []


def test_a_test_begins_and_ends_disarmed(board: BoardProcess, console: Console) -> None:
    """TEST runs the sequence it names, is recorded as such, and refuses to overlap."""
    prepare(console, BASIC, SHORT, OTHER)
    assert console.no(RunTest, 1, 16) in ("value", "sequence")
    mark = board.bench.mark()
    console.yes(RunTest, 1, 2)
    assert console.no(RunTest, 1, 2) == "running"
    assert console.no(Arm, 1, EVERY) == "running"
    assert console.no(Fire, 1) == "disarmed"
    record = wait_cycle(console, 1)
    assert (record.trigger, record.sequence) == (Trigger.TEST, 2)
    assert console.no(RunTest, 1, 2) == "resting"
    assert state(console, State.DISARMED).sources == 0
    assert [p.outputs for p in board.bench.since(mark)] == [0b10, 0]
    console.rest(0.25)
    console.yes(RunTest, 1, 1)


def test_an_armed_prop_takes_no_test(console: Console) -> None:
    """TEST and HOLD want the prop disarmed."""
    armed(console)
    assert console.no(RunTest, 1, 1) == "armed"
    assert console.no(Hold, 1, 100) == "armed"


def test_test_and_hold_need_a_setup(console: Console) -> None:
    """Without a setup there is nothing to test or hold."""
    assert console.no(RunTest, 1, 1) == "setup"
    assert console.no(Hold, 1, 100) == "setup"


def test_arming_in_the_rest_leads_to_resting(console: Console) -> None:
    """The rest after a test binds the prop that is armed meanwhile, too."""
    prepare(console, (prop(rest=600), *BASIC[1:]))
    console.yes(RunTest, 1, 1)
    wait_cycle(console, 1)
    console.yes(Arm, 1, EVERY)
    assert console.no(Fire, 1) == "resting"
    state(console, State.RESTING)
    state(console, State.ARMED)
    console.yes(Fire, 1)


def test_select_changes_the_cycles_to_come(board: BoardProcess, console: Console) -> None:
    """In mid-cycle the selection waits; the next cycle runs the new sequence."""
    prepare(console, BASIC, SHORT, OTHER)
    assert console.no(Select, 1, 0) in ("value", "sequence")
    assert console.no(Select, 1, 3) == "sequence"
    console.yes(Arm, 1, EVERY)
    console.yes(Fire, 1)
    console.yes(Select, 1, 2)
    report = console.wait(PropReport, lambda r: r.selected == 2, since=0)
    assert report.running == 1
    assert wait_cycle(console, 1).sequence == 1
    state(console, State.ARMED)
    console.yes(Fire, 1)
    assert wait_cycle(console, 2).sequence == 2


def test_an_idle_movement_is_no_cycle(console: Console) -> None:
    """A sequence of kind idle can be neither selected nor tested nor armed."""
    prepare(console, BASIC, Stored(1, 100, ("0:1+", "50:1-"), kind=SequenceKind.IDLE))
    assert console.no(Select, 1, 1) == "sequence"
    assert console.no(RunTest, 1, 1) == "sequence"
    assert console.no(Arm, 1, EVERY) == "sequence"


def test_a_sequence_of_another_prop_is_refused(console: Console) -> None:
    """Neither prop 2's sequence nor one that switches prop 2's output serves prop 1."""
    prepare(
        console,
        TWO,
        Stored(1, 100, ("0:1+", "10:3+", "50:1-", "50:3-")),
        Stored(2, 100, ("0:3+", "50:3-"), prop=2),
    )
    assert console.no(Arm, 1, EVERY) == "sequence"
    assert console.no(Select, 1, 2) == "sequence"
    assert console.no(RunTest, 1, 2) == "sequence"
    console.yes(Arm, 2, EVERY)


def test_hold_keeps_an_output_on(board: BoardProcess, console: Console) -> None:
    """On for the time asked; asked again it goes on; 0 lets go; no cycle is counted."""
    prepare(console)
    mark = board.bench.mark()
    console.yes(Hold, 2, 300)
    assert console.no(Arm, 1, EVERY) == "running"
    console.rest(0.15)
    console.yes(Hold, 2, 300)
    console.rest(0.45)
    on, off = board.bench.since(mark)
    assert (on.outputs, off.outputs) == (0b10, 0)
    assert 440_000 <= off.at_us - on.at_us <= 560_000
    console.yes(Hold, 1, 1000)
    board.bench.outputs(0b01)
    console.yes(Hold, 1, 0)
    board.bench.outputs(0, seconds=0.5)
    assert console.no(Hold, 1, 1001) == "value"
    assert not [m for m in console.heard() if isinstance(m, CycleRecord)]


def test_disarm_ends_a_hold(board: BoardProcess, console: Console) -> None:
    """DISARM lets go of what is held."""
    prepare(console)
    console.yes(Hold, 1, 1000)
    board.bench.outputs(0b01)
    console.ask(Disarm(console.next_id(), 0))
    board.bench.outputs(0, seconds=0.4)


def test_a_tag_refuses_everything(board: BoardProcess, console: Console) -> None:
    """TAG cuts and disarms; ARM, FIRE, TEST and HOLD are refused until UNTAG."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    console.yes(Tag, 1)
    board.bench.outputs(0, seconds=0.5)
    assert wait_cycle(console, 1).outcome is Outcome.DISARMED
    assert state(console, State.DISARMED).flags & PropFlags.TAGGED
    assert console.no(Arm, 1, EVERY) == "tagged"
    assert console.no(Fire, 1) == "tagged"
    assert console.no(RunTest, 1, 1) == "tagged"
    assert console.no(Hold, 1, 100) == "tagged"
    console.yes(Untag, 1)
    console.yes(Arm, 1, EVERY)


def test_a_tag_outlives_power(board: BoardProcess, console: Console) -> None:
    """The tag lies in non-volatile memory: cut, power, still tagged."""
    prepare(console)
    console.yes(Tag, 1)
    board.bench.cut()
    board.bench.power()
    console.wire.quiet(0.1)
    console.open(0x4444)
    prepare(console)
    assert console.no(Arm, 1, EVERY) == "tagged"
    console.yes(Untag, 1)
    board.bench.cut()
    board.bench.power()
    console.wire.quiet(0.1)
    console.open(0x5555)
    prepare(console)
    console.yes(Arm, 1, EVERY)


def test_a_fault_waits_for_mend(board: BoardProcess, console: Console) -> None:
    """In fault ARM, FIRE, TEST and HOLD are refused; MEND leads to disarmed."""
    armed(console, (prop(), output(1, longest=100)), Stored(1, 400, ("0:1+",)))
    console.yes(Fire, 1)
    state(console, State.FAULT)
    assert console.no(Arm, 1, EVERY) == "fault"
    assert console.no(Fire, 1) == "fault"
    assert console.no(RunTest, 1, 1) == "fault"
    assert console.no(Hold, 1, 50) == "fault"
    console.yes(Mend, 1)
    state(console, State.DISARMED)
    console.yes(Arm, 1, EVERY)


def test_no_cycle_starts_against_the_area_input(board: BoardProcess, console: Console) -> None:
    """Somebody in the area: FIRE, TEST and HOLD are refused, a sensor's trigger is missed."""
    items = (
        prop(area=AREA),
        output(1),
        output(2),
        given_input(1),
        given_input(AREA, InputKind.AREA, level=Level.HIGH),
    )
    armed(console, items)
    board.bench.set(AREA, 0)
    report = console.wait(PropReport, lambda r: r.flags & PropFlags.AREA_NOT_CLEAR)
    assert report.state is State.ARMED
    assert console.no(Fire, 1) == "area"
    board.bench.set(1, 0)
    missed = wait_event(console, EventKind.MISSED, since=0)
    assert (missed.detail, missed.prop, missed.value) == ("area", 1, 1)
    console.ask(Disarm(console.next_id(), 1))
    assert console.no(RunTest, 1, 1) == "area"
    assert console.no(Hold, 1, 100) == "area"
    board.bench.set(AREA, 1)
    console.wait(PropReport, lambda r: not r.flags & PropFlags.AREA_NOT_CLEAR)
    console.yes(RunTest, 1, 1)


def test_a_prop_that_is_not_home_follows_nothing(board: BoardProcess, console: Console) -> None:
    """FIRE and sensor are refused while the home sensor is not active; TEST may bring it home."""
    items = (
        prop(),
        output(1, home=HOME),
        output(2),
        given_input(1),
        given_input(HOME, InputKind.END),
    )
    armed(console, items)
    console.wait(PropReport, lambda r: r.flags & PropFlags.NOT_HOME, since=0)
    assert console.no(Fire, 1) == "not-home"
    board.bench.set(1, 0)
    assert wait_event(console, EventKind.MISSED, since=0).detail == "not-home"
    console.ask(Disarm(console.next_id(), 1))
    console.yes(RunTest, 1, 1)
    wait_cycle(console, 1)
    board.bench.set(HOME, 0)
    console.yes(Arm, 1, EVERY)
    state(console, State.ARMED)
    console.yes(Fire, 1)


def test_the_alarm_light(board: BoardProcess, console: Console) -> None:
    """LAMP 1 and LAMP 0, seen at the pin; a reset puts it out."""
    console.yes(Lamp, 1)
    board.bench.wait(lambda p: p.lamp)
    console.yes(Lamp, 0)
    board.bench.wait(lambda p: not p.lamp)
    console.yes(Lamp, 1)
    board.bench.reset()
    board.bench.wait(lambda p: not p.lamp)


def test_board_levels_are_reported(board: BoardProcess, console: Console) -> None:
    """Supply and pressure, where fitted, are in STATE."""
    board.bench.supply(12_300)
    board.bench.pressure(2_450)
    console.wait(
        BoardReport,
        lambda r: abs(r.supply_mv - 12_300) < 400 and abs(r.pressure_mv - 2_450) < 100,
    )


def test_a_sagging_supply_is_told(board: BoardProcess, console: Console) -> None:
    """A coil supply that drops by half is an event with its millivolts."""
    board.bench.supply(12_000)
    console.rest(0.2)
    board.bench.supply(6_000)
    event = wait_event(console, EventKind.SUPPLY, since=0)
    assert abs(event.value - 6_000) < 400
