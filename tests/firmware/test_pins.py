"""Timing at the pins of the real core, to the millisecond of its clock."""

from __future__ import annotations

from itertools import pairwise

import pytest

from drivers.messages import (
    Arm,
    Clear,
    CycleRecord,
    Disarm,
    EventRecord,
    Fire,
    Hold,
    Mend,
    Poll,
    PropReport,
    Select,
    Stop,
    Tag,
    Test,
    Untag,
)
from drivers.words import (
    AtStop,
    EventKind,
    InputKind,
    OutputKind,
    PropFlags,
    SequenceKind,
    Sources,
    State,
)
from tests.conformance.stage import (
    BASIC,
    EVERY,
    SENSOR,
    Stored,
    armed,
    given_input,
    output,
    prepare,
    prop,
)
from tests.firmware.rig import Rig

SHORT = Stored(1, 300, ("0:1+", "100:2+", "200:1-", "250:2-"))
OTHER = Stored(2, 150, ("0:2+", "100:2-"))
LONG = Stored(1, 3000, ("0:1+", "2900:1-"))


@pytest.fixture(params=[False, True], ids=["host", "small"])
def rig(request: pytest.FixtureRequest) -> Rig:
    """A board of either size with an open session."""
    made = Rig(small=request.param)
    made.open()
    return made


def _ms(rig: Rig, since_us: int) -> list[tuple[float, int]]:
    return [((c.at_us - since_us) / 1000, c.outputs) for c in rig.changes()]


def test_steps_come_at_their_times(rig: Rig) -> None:
    """A cycle's steps switch at the milliseconds of the sequence, counted from the first."""
    armed(rig, BASIC, SHORT, heartbeat=60000)
    rig.changes()
    rig.yes(Fire, 1)
    rig.run(1000)
    changes = rig.changes()
    start = changes[0].at_us
    assert [((c.at_us - start) // 1000, c.outputs) for c in changes] == [
        (0, 1), (100, 3), (200, 2), (250, 0),
    ]  # fmt: skip


def test_sensor_is_debounced_and_followed_within_two_ms(rig: Rig) -> None:
    """A shorter pulse than the debounce starts nothing; after it the first step is within 2 ms."""
    armed(rig, BASIC, SHORT, heartbeat=60000)
    rig.changes()
    rig.trip(SENSOR, 15)
    rig.run(500)
    assert rig.changes() == []
    for early in (0, 3, 7):
        rig.run(early / 10)
        rig.pin(SENSOR, 0)
        at = rig.now_us
        rig.run(700)
        rig.pin(SENSOR, 1)
        rig.run(500)
        first = _ms(rig, at)[0]
        assert 19 <= first[0] <= 22
        assert first[1] == 1


def test_chatter_restarts_the_debounce(rig: Rig) -> None:
    """A contact that chatters counts only after the last bounce."""
    armed(rig, BASIC, SHORT, heartbeat=60000)
    rig.changes()
    for _ in range(8):
        rig.trip(SENSOR, 10)
    rig.pin(SENSOR, 0)
    at = rig.now_us
    rig.run(300)
    assert 19 <= _ms(rig, at)[0][0] <= 22


def test_rest_keeps_triggers_away(rig: Rig) -> None:
    """Until the rest is over a trigger is a missed one with the reason."""
    items = (prop(rest=1000), output(1), output(2), given_input(SENSOR))
    armed(rig, items, SHORT, heartbeat=60000)
    rig.yes(Fire, 1)
    rig.run(SHORT.length + 20)
    assert rig.prop().state is State.RESTING
    assert rig.no(Fire, 1) == "resting"
    rig.trip()
    missed = [e for e in rig.of(EventRecord) if e.kind is EventKind.MISSED]
    assert [(e.prop, e.detail) for e in missed] == [(1, "resting")]
    rig.run(1000)
    assert rig.prop().state is State.ARMED
    rig.yes(Fire, 1)


@pytest.mark.parametrize("clear_first", [0, 1])
def test_input_that_is_active_when_the_prop_begins_to_listen(rig: Rig, clear_first: int) -> None:
    """It must clear first, or counts once, as its setup says; the flag says that it blocks."""
    items = (prop(), output(1), output(2), given_input(SENSOR, clear_first=clear_first))
    prepare(rig, items, SHORT, heartbeat=60000)
    rig.acknowledging = True
    rig.pin(SENSOR, 0)
    rig.run(100)
    rig.changes()
    rig.yes(Arm, 1, EVERY)
    rig.run(300)
    assert bool(rig.changes()) is (clear_first == 0)
    rig.run(2000)
    cycles = len(rig.of(CycleRecord))
    assert (cycles == 0) if clear_first else cycles > 1, "it counts again after each rest"
    if clear_first:
        assert PropFlags.SENSOR_BLOCKED in rig.prop().flags
        rig.pin(SENSOR, 1)
        rig.run(100)
        assert PropFlags.SENSOR_BLOCKED not in rig.prop().flags
        rig.pin(SENSOR, 0)
        rig.run(100)
        assert rig.changes()


def test_sensor_counts_only_when_warm(rig: Rig) -> None:
    """Before its warm-up is over a sensor's trigger is missed; a helper's button has none."""
    items = (
        prop(), output(1), output(2), given_input(SENSOR, warm=5000),
        given_input(2, InputKind.ACTOR, warm=5000),
    )  # fmt: skip
    armed(rig, items, SHORT, heartbeat=60000)
    rig.acknowledging = True
    assert PropFlags.WARMING_UP in rig.prop().flags
    rig.trip(SENSOR)
    assert rig.of(EventRecord)[-1].detail == "warming-up"
    assert rig.prop().state is State.ARMED
    rig.trip(2)
    rig.run(6000)
    assert [c.trigger for c in rig.of(CycleRecord)] == ["actor"]
    assert PropFlags.WARMING_UP not in rig.prop().flags
    rig.trip(SENSOR)
    rig.run(1000)
    assert [c.trigger for c in rig.of(CycleRecord)] == ["actor", "sensor"]


@pytest.mark.parametrize("kind", [OutputKind.MOTION, OutputKind.LIGHT])
def test_largest_on_time(rig: Rig, kind: OutputKind) -> None:
    """The board switches off by itself within 5 ms after the limit; only a light is no fault."""
    items = (prop(), output(1, kind=kind, longest=700), given_input(SENSOR))
    armed(rig, items, LONG, heartbeat=60000)
    rig.changes()
    rig.yes(Fire, 1)
    rig.run(1500)
    on, off = rig.changes()
    assert 700_000 <= off.at_us - on.at_us <= 705_000
    if kind is OutputKind.LIGHT:
        assert rig.prop().state is State.RUNNING
        return
    assert rig.prop().state is State.FAULT
    event = next(e for e in rig.of(EventRecord) if e.kind is EventKind.FAULT)
    assert (event.prop, event.detail, event.value) == (1, "on-time", 1)
    assert rig.no(Arm, 1, EVERY) == "fault"
    rig.yes(Mend, 1)
    assert rig.prop().state is State.DISARMED
    assert rig.of(CycleRecord)[-1].outcome == "fault"


def test_heartbeat_loss_disarms_in_time(rig: Rig) -> None:
    """Set time +0 / +20 ms after the last valid request all is off and disarmed, unlatched."""
    armed(rig, BASIC, LONG, heartbeat=800)
    rig.yes(Fire, 1)
    rig.run(2)
    rig.changes()
    rig.tell(Poll, 1)
    heard = rig.now_us
    rig.run(2000)
    (off,) = rig.changes()
    assert 800_000 <= off.at_us - heard <= 820_000
    assert rig.prop().state is State.DISARMED
    assert EventKind.SILENT in [e.kind for e in rig.of(EventRecord)]
    assert rig.hello().stop == 0


def test_requests_of_a_stranger_are_no_heartbeat(rig: Rig) -> None:
    """A request that names another session or boot does not keep a board armed."""
    armed(rig, BASIC, LONG, heartbeat=400)
    for _ in range(6):
        boot, rig.boot = rig.boot, type(rig.boot)(rig.boot ^ 1)
        assert rig.no(Poll, 1) == "boot"
        rig.boot = boot
        rig.run(100)
    assert rig.prop().state is State.DISARMED


TRAVELLER = (
    prop(rest=1200), output(1, out=3, home=4, travel=420), given_input(SENSOR),
    given_input(3, InputKind.END, debounce=5), given_input(4, InputKind.END, debounce=5),
)  # fmt: skip
OUT_AND_BACK = Stored(1, 1000, ("0:1+", "500:1-"))


def test_travels_are_measured_from_the_switch_to_the_sensor(rig: Rig) -> None:
    """Out and home travel stand in the record, the debounce not counted."""
    prepare(rig, TRAVELLER, OUT_AND_BACK, heartbeat=60000)
    rig.pin(4, 0)
    rig.run(50)
    rig.yes(Arm, 1, EVERY)
    rig.yes(Fire, 1)
    rig.run(80)
    rig.pin(4, 1)
    rig.run(160)
    rig.pin(3, 0)
    rig.run(300)
    rig.pin(3, 1)
    rig.run(310)
    rig.pin(4, 0)
    rig.run(300)
    (cycle,) = rig.of(CycleRecord)
    assert cycle.outcome == "done"
    assert abs(cycle.duration_ms - 1000) <= 2
    out, home = cycle.travels
    assert out.startswith("1>")
    assert abs(int(out[2:]) - 240) <= 3
    assert home.startswith("1<")
    assert abs(int(home[2:]) - 350) <= 6
    assert not [e for e in rig.of(EventRecord) if e.kind is EventKind.LATE]


def test_late_travel_is_an_event_and_a_prop_away_from_home_refuses(rig: Rig) -> None:
    """A motion that does not arrive is late; one that is not home cannot be fired."""
    prepare(rig, TRAVELLER, OUT_AND_BACK, heartbeat=60000)
    rig.yes(Arm, 1, EVERY)
    assert PropFlags.NOT_HOME in rig.prop().flags
    assert rig.no(Fire, 1) == "not-home"
    rig.pin(4, 0)
    rig.run(50)
    rig.yes(Fire, 1)
    rig.run(400)
    assert not [e for e in rig.of(EventRecord) if e.kind is EventKind.LATE]
    rig.run(200)
    late = [e for e in rig.of(EventRecord) if e.kind is EventKind.LATE]
    assert [(e.prop, e.value) for e in late[:1]] == [(1, 1)]


IDLE = (
    prop(idle=2, least=3000, most=4000), output(1), output(2, kind=OutputKind.LIGHT),
    given_input(SENSOR),
)  # fmt: skip
TWITCH = Stored(2, 900, ("0:2+", "100:1+", "300:1-", "500:1+", "700:1-"), kind=SequenceKind.IDLE)


def test_idle_movement_runs_only_while_armed_and_is_no_cycle(rig: Rig) -> None:
    """Between its bounds it runs, shown as a flag; its strokes count, its runs do not."""
    prepare(rig, IDLE, SHORT, TWITCH, heartbeat=60000)
    rig.run(9000)
    assert rig.changes() == []
    rig.yes(Arm, 1, EVERY)
    at = rig.now_us
    rig.run(20000)
    motions = [c.at_us for c in rig.changes() if c.outputs == 2]
    assert 3_000_000 <= motions[0] - at <= 4_010_000
    starts = [t for i, t in enumerate(motions) if i == 0 or t - motions[i - 1] > 1_000_000]
    assert all(3_000_000 <= b - a - 900_000 <= 4_010_000 for a, b in pairwise(starts))
    assert any(PropFlags.IDLE_RUNNING in p.flags for p in rig.of(PropReport))
    assert rig.of(CycleRecord) == []
    rig.yes(Disarm, 1)
    assert rig.board.outputs == 0
    assert rig.prop().number == 0
    assert rig.strokes()[0] >= 4


@pytest.mark.parametrize("into", [50, 150, 250, 350, 450, 550, 650, 800])
def test_trigger_ends_an_idle_movement_at_its_safe_point(rig: Rig, into: int) -> None:
    """The cycle begins where every motion is off: at once, or at the end of the stroke."""
    prepare(rig, IDLE, SHORT, TWITCH, heartbeat=60000)
    rig.yes(Arm, 1, EVERY)
    rig.acknowledging = True
    rig.run_until(lambda: rig.board.outputs)
    rig.run(into)
    rig.changes()
    rig.yes(Fire, 1)
    at = rig.now_us
    rig.run(1000)
    changes = _ms(rig, at)
    moving = 100 <= into < 300 or 500 <= into < 700
    safe_in = (300 - into if into < 300 else 700 - into) if moving else 0
    begun = next(ms for ms, outputs in changes if outputs & 1 and ms >= safe_in - 3)
    assert abs(begun - safe_in) <= 4
    assert [c.outcome for c in rig.of(CycleRecord)] == ["done"]


def test_missed_triggers_have_reasons_and_are_at_most_four_a_second(rig: Rig) -> None:
    """Disarmed, tagged, latched, source off: each is said; a hundred at once are not."""
    prepare(rig, BASIC, SHORT, heartbeat=60000)
    rig.acknowledging = True
    rig.trip()
    rig.run(1000)
    rig.yes(Tag, 1)
    rig.trip()
    rig.run(1000)
    rig.yes(Untag, 1)
    rig.yes(Arm, 1, Sources.OPERATOR)
    rig.trip()
    rig.run(1000)
    rig.yes(Stop, 5)
    rig.trip()
    reasons = [e.detail for e in rig.of(EventRecord) if e.kind is EventKind.MISSED]
    assert reasons == ["disarmed", "tagged", "source-off", "latched"]
    rig.yes(Clear, 5)
    rig.run(1100)
    mark = len(rig.of(EventRecord))
    for _ in range(20):
        rig.trip(ms=22)
    assert 3 <= len(rig.of(EventRecord)) - mark <= 4


def test_fire_is_never_done_twice(rig: Rig) -> None:
    """The same fire asked for again while its cycle runs, and long after, starts nothing."""
    armed(rig, BASIC, SHORT, heartbeat=60000)
    request = rig.make(Fire, 1)
    first = rig.ask_again(request)
    assert rig.ask_again(request) == first
    rig.run(3000)
    assert rig.ask_again(request) == first
    rig.run(3000)
    assert rig.prop().number == 1


def test_stop_cuts_everything_and_lights_do_as_told(rig: Rig) -> None:
    """Motions and air go off, lights as their setup says, and clearing starts nothing."""
    items = (
        prop(), output(1), output(2, kind=OutputKind.DUMP),
        output(3, kind=OutputKind.LIGHT, at_stop=AtStop.ON),
        output(4, kind=OutputKind.LIGHT, at_stop=AtStop.KEEP), output(5, kind=OutputKind.LIGHT),
    )  # fmt: skip
    sequence = Stored(1, 3000, ("0:1+", "0:2+", "0:4+", "0:5+", "2900:1-"))
    armed(rig, items, sequence, heartbeat=60000)
    rig.yes(Fire, 1)
    rig.run(100)
    assert rig.board.outputs == 0b11011
    rig.send(b"\x18")
    assert rig.board.outputs == 0b01100
    assert rig.prop().state is State.STOPPED
    latched = rig.hello().stop
    assert rig.no(Clear, latched ^ 1) == "stop-id"
    rig.yes(Stop, 9)
    assert rig.no(Clear, latched) == "stop-id", "the console's id has replaced the board's own"
    assert rig.no(Test, 1, 1) == "latched"
    rig.yes(Clear, 9)
    rig.run(500)
    assert rig.prop().state is State.DISARMED
    assert rig.board.outputs == 0b01100
    assert rig.of(CycleRecord)[-1].outcome == "stopped"


@pytest.mark.parametrize("when", range(2, 60, 7))
def test_stop_byte_while_things_happen(rig: Rig, when: int) -> None:
    """Wherever the byte falls in a night's traffic, outputs are off at that very moment."""
    armed(rig, BASIC, LONG, heartbeat=60000)
    rig.yes(Fire, 1)
    rig.run(when)
    frame = rig.stop_frame()
    rig.board.step(rig.now_us, frame[: when % len(frame)])
    assert rig.board.outputs == 1
    rig.board.step(rig.now_us, b"\x18")
    assert rig.board.outputs == 0
    rig.run(3000)
    assert rig.board.outputs == 0
    assert rig.no(Fire, 1) == "latched"


def test_stop_input_latches_and_holds(rig: Rig) -> None:
    """Open, it stops at once and no clear helps; closed, the clear is accepted."""
    armed(rig, BASIC, LONG, heartbeat=60000)
    rig.yes(Fire, 1)
    rig.run(50)
    rig.pin(0, 0)
    assert rig.board.outputs == 0
    stop = rig.hello().stop
    assert rig.no(Clear, stop) == "stop-input"
    rig.pin(0, 1)
    rig.run(30)
    rig.yes(Clear, stop)
    kinds = []
    rig.acknowledging = True
    rig.run(3000)
    for event in rig.of(EventRecord):
        if event.kind not in kinds:
            kinds.append(event.kind)
    assert kinds == [EventKind.STOPPED, EventKind.STOP_INPUT]


def test_hold_ends_by_itself_and_counts(rig: Rig) -> None:
    """An output held for 200 ms is off 200 to 210 ms later, or when let go, or repeated on."""
    prepare(rig, BASIC, SHORT, heartbeat=60000)
    rig.changes()
    rig.yes(Hold, 1, 200)
    rig.run(500)
    on, off = rig.changes()
    assert 199_000 <= off.at_us - on.at_us <= 210_000
    rig.yes(Hold, 1, 1000)
    rig.run(900)
    rig.yes(Hold, 1, 1000)
    rig.run(900)
    assert rig.board.outputs == 1
    rig.yes(Hold, 1, 0)
    assert rig.board.outputs == 0
    assert rig.strokes()[0] == 2


def test_switch_of_sequence_takes_effect_with_the_next_cycle(rig: Rig) -> None:
    """A running cycle is not touched; the record names what ran."""
    rig.acknowledging = True
    armed(rig, BASIC, SHORT, OTHER, heartbeat=60000)
    rig.yes(Fire, 1)
    rig.run(50)
    rig.yes(Select, 1, 2)
    assert (rig.prop().selected, rig.prop().running) == (2, 1)
    rig.run(1000)
    rig.yes(Fire, 1)
    rig.run(1000)
    assert [c.sequence for c in rig.of(CycleRecord)] == [1, 2]


def test_area_that_is_not_clear_forbids_every_start(rig: Rig) -> None:
    """With somebody in the area, fire, test, hold, sensor and idle movement start nothing."""
    items = (
        prop(area=3, idle=2, least=500, most=600), output(1), output(2), given_input(SENSOR),
        given_input(3, InputKind.AREA),
    )  # fmt: skip
    prepare(rig, items, SHORT, TWITCH, heartbeat=60000)
    assert PropFlags.AREA_NOT_CLEAR in rig.prop().flags
    assert rig.no(Test, 1, 1) == "area"
    assert rig.no(Hold, 1, 100) == "area"
    rig.yes(Arm, 1, EVERY)
    assert rig.no(Fire, 1) == "area"
    rig.trip()
    rig.run(3000)
    assert rig.changes() == []
    rig.pin(3, 0)
    rig.run(40)
    rig.yes(Fire, 1)


def test_tag_survives_power_loss(rig: Rig) -> None:
    """A tag lies in memory and refuses after a reset, until it is lifted."""
    prepare(rig, BASIC, SHORT, heartbeat=60000)
    rig.yes(Tag, 1)
    rig.reset()
    rig.open()
    prepare(rig, BASIC, SHORT, heartbeat=60000)
    assert PropFlags.TAGGED in rig.prop().flags
    assert rig.no(Arm, 1, EVERY) == "tagged"
    rig.yes(Untag, 1)
    rig.reset()
    rig.open()
    prepare(rig, BASIC, SHORT, heartbeat=60000)
    rig.yes(Arm, 1, EVERY)


def test_low_supply_is_a_flag_and_an_event(rig: Rig) -> None:
    """A coil supply that sags shows; one that is not measured does not."""
    rig.board.set_levels(supply_mv=12000, pressure_mv=2500)
    rig.run(600)
    assert rig.hello().flags == 0
    rig.board.set_levels(supply_mv=9000)
    rig.run(20)
    assert rig.hello().flags == 2
    assert [(e.kind, e.value) for e in rig.of(EventRecord)] == [(EventKind.SUPPLY, 9000)]
    rig.board.set_levels(supply_mv=12000)
    rig.run(20)
    assert rig.hello().flags == 0
