"""All-stop: by byte, by frame, by input; latched, named, and cleared only by its name."""

from __future__ import annotations

import time

from drivers.framing import STOP_BYTE, encode
from drivers.messages import (
    Arm,
    BoardReport,
    Clear,
    CycleRecord,
    Disarm,
    Fire,
    Hex32,
    Hold,
    Mend,
    No,
    Open,
    PropReport,
    Select,
    Stop,
    Tag,
    Untag,
    Yes,
)
from drivers.messages import Test as RunTest
from drivers.words import (
    AtStop,
    BoardFlags,
    EventKind,
    Outcome,
    OutputKind,
    State,
)
from tests.boards import BoardProcess, Console, Wire
from tests.conformance.stage import (
    BASIC,
    EVERY,
    LONG,
    SENSOR,
    Stored,
    armed,
    given_input,
    output,
    prepare,
    prop,
    wait_cycle,
    wait_event,
)

A, B = Hex32(0xAAAA0001), Hex32(0xBBBB0002)


def running(console: Console, board: BoardProcess) -> None:
    """Prop 1 in the middle of a long cycle."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)


def latched(console: Console) -> int:
    """The latched stop as the hello gives it."""
    return console.hello().stop


def test_the_byte_stops_everything(board: BoardProcess, console: Console) -> None:
    """One byte: outputs off at once, the cycle cut, the prop stopped, a stop of its own latched."""
    running(console, board)
    mark, sent = len(console.wire.heard), time.monotonic_ns() // 1000
    console.wire.stop_byte()
    pins = board.bench.outputs(0, seconds=1)
    assert pins.at_us - sent < 100_000
    assert console.wait(BoardReport, lambda r: r.stop, since=mark).outputs == 0
    console.wait(PropReport, lambda r: r.state is State.STOPPED, since=mark)
    assert wait_cycle(console, 1).outcome is Outcome.STOPPED
    assert wait_event(console, EventKind.STOPPED).detail == "byte"


def test_the_byte_acts_in_the_middle_of_a_frame(board: BoardProcess, console: Console) -> None:
    """Wherever it stands in a frame it acts before the frame has ended, and that frame is lost."""
    prepare(console, (prop(rest=0), *BASIC[1:]), LONG)
    for at in (1, 2, 3, 7, 12, 30, -6, -5, -1):
        console.yes(Arm, 1, EVERY)
        console.yes(Fire, 1)
        board.bench.outputs(0b01)
        frame = encode(1, console.make(Select, 1, 1).words())
        console.wire.send(frame[:at] + bytes([STOP_BYTE]))
        board.bench.outputs(0, seconds=1)
        mark = len(console.wire.heard)
        console.wire.send(frame[at:])
        console.wire.quiet(0.05)
        assert not [m for m in console.heard(mark) if isinstance(m, Yes | No)]
        console.yes(Clear, latched(console))


def test_the_byte_acts_amid_noise(board: BoardProcess, console: Console) -> None:
    """Garbage around it does not hide it, and frames are read again afterwards."""
    running(console, board)
    console.wire.send(b"~~\xff\x00garbage" * 20 + bytes([STOP_BYTE]) + b"\xffmore~01 FI")
    board.bench.outputs(0, seconds=1)
    assert latched(console)


def test_many_bytes_are_one_stop(console: Console) -> None:
    """The console repeats the byte: the id stays, and there is one event."""
    console.wire.stop_byte()
    first = latched(console)
    for _ in range(20):
        console.wire.stop_byte()
    assert latched(console) == first
    wait_event(console, EventKind.STOPPED, since=0)
    later = [m for m in console.rest(0.7) if m.verb == "EVENT"]
    assert later == []


def test_the_frame_names_the_stop(board: BoardProcess, console: Console) -> None:
    """STOP acts like the byte and gives the stop its id."""
    running(console, board)
    assert isinstance(console.ask(Stop(console.next_id(), A)), Yes)
    board.bench.outputs(0, seconds=0.5)
    assert latched(console) == A
    assert wait_event(console, EventKind.STOPPED, since=0).detail == "frame"


def test_a_board_takes_the_consoles_name_for_its_stop(console: Console) -> None:
    """Latched by the byte it has an id of its own until STOP names it; a later byte keeps that."""
    console.wire.stop_byte()
    own = latched(console)
    assert own != 0
    console.ask(Stop(console.next_id(), A))
    assert latched(console) == A
    console.wire.stop_byte()
    assert latched(console) == A


def test_a_stop_without_a_name_still_stops(console: Console) -> None:
    """STOP 0 latches under an id of the board's own."""
    assert isinstance(console.ask(Stop(console.next_id(), Hex32(0))), Yes)
    assert latched(console) != 0


def test_a_clear_must_name_the_stop(console: Console) -> None:
    """A wrong id clears nothing; the right one leaves everything disarmed; then there is none."""
    armed(console)
    console.ask(Stop(console.next_id(), A))
    assert console.no(Clear, B) == "stop-id"
    assert console.no(Clear, 0) == "stop-id"
    assert latched(console) == A
    console.yes(Clear, A)
    assert latched(console) == 0
    assert console.prop_report().state is State.DISARMED
    assert console.no(Clear, A) == "stop-id"
    assert console.no(Clear, 0) == "stop-id"


def test_a_late_clear_cannot_lift_a_newer_stop(console: Console) -> None:
    """The clear of stop A arrives after stop B: B stays."""
    console.ask(Stop(console.next_id(), A))
    late = console.make(Clear, A)
    console.ask(Stop(console.next_id(), B))
    assert console.ask(late) == No(late.req, "stop-id")
    assert latched(console) == B


def test_a_repeated_clear_does_not_lift_the_next_stop(console: Console) -> None:
    """The same clear again is answered as before and does nothing, under the same id of a stop."""
    console.ask(Stop(console.next_id(), A))
    clear = console.make(Clear, A)
    assert isinstance(console.ask(clear), Yes)
    console.ask(Stop(console.next_id(), A))
    assert isinstance(console.ask(clear), Yes)
    assert latched(console) == A


def test_opening_a_session_states_the_stop(console: Console) -> None:
    """OPEN with a stop latches it, also in the session that is open; with 0 a stop stays."""
    console.open(0x1111, A)
    assert latched(console) == A
    console.open(0x2222, 0)
    assert latched(console) == A
    console.open(0x3333, B)
    assert latched(console) == B
    console.yes(Clear, B)
    console.ask(Open(console.next_id(), console.boot, console.session, A))
    assert latched(console) == A
    assert wait_event(console, EventKind.STOPPED, since=0).detail == "opened"


def test_while_latched_nothing_moves(board: BoardProcess, console: Console) -> None:
    """ARM, FIRE, TEST and HOLD are refused; what moves nothing is not."""
    prepare(console)
    console.ask(Stop(console.next_id(), A))
    mark = board.bench.mark()
    assert console.no(Arm, 1, EVERY) == "latched"
    assert console.no(Fire, 1) == "latched"
    assert console.no(RunTest, 1, 1) == "latched"
    assert console.no(Hold, 1, 200) == "latched"
    console.yes(Select, 1, 1)
    console.yes(Tag, 1)
    console.yes(Untag, 1)
    assert isinstance(console.ask(Disarm(console.next_id(), 1)), Yes)
    board.bench.set(SENSOR, 0)
    console.rest(0.2)
    assert board.bench.since(mark) == []


def test_clearing_starts_nothing(board: BoardProcess, console: Console) -> None:
    """A sensor that is active all the while, and everything that was armed, stays dead."""
    items = (prop(), output(1), output(2), given_input(SENSOR, clear_first=0))
    armed(console, items)
    console.ask(Stop(console.next_id(), A))
    board.bench.set(SENSOR, 0)
    console.rest(0.1)
    mark = board.bench.mark()
    console.yes(Clear, A)
    console.rest(0.4)
    board.bench.set(SENSOR, 1)
    board.bench.set(SENSOR, 0)
    console.rest(0.2)
    assert board.bench.since(mark) == []
    assert console.prop_report().state is State.DISARMED


def test_the_open_stop_input_latches(board: BoardProcess, console: Console) -> None:
    """Open: everything off, latched, told; it cannot be cleared until closed, and stays then."""
    running(console, board)
    sent = time.monotonic_ns() // 1000
    board.bench.set(0, 0)
    assert board.bench.outputs(0, seconds=1).at_us - sent < 100_000
    report = console.wait(BoardReport, lambda r: r.stop, since=0)
    assert report.flags & BoardFlags.STOP_INPUT_OPEN
    stop = latched(console)
    assert console.no(Clear, stop) == "stop-input"
    console.ask(Stop(console.next_id(), A))
    assert console.no(Clear, stop) == "stop-id"
    assert console.no(Clear, A) == "stop-input"
    board.bench.set(0, 1)
    console.wait(BoardReport, lambda r: not r.flags & BoardFlags.STOP_INPUT_OPEN)
    assert latched(console) == A
    console.yes(Clear, A)
    assert latched(console) == 0


def test_the_stop_input_is_told_both_ways(board: BoardProcess, console: Console) -> None:
    """An event with 1 when it opens, one with 0 when it closes, one for the stop it latched."""
    board.bench.set(0, 0)
    seen = [wait_event(console, EventKind.STOP_INPUT, since=0).value]
    board.bench.set(0, 1)
    mark = len(console.wire.heard)
    seen.append(wait_event(console, EventKind.STOP_INPUT, since=mark).value)
    assert seen == [1, 0]
    events = [m for m in console.heard() if m.verb == "EVENT"]
    assert "input" in [m.detail for m in events if m.kind is EventKind.STOPPED]


def test_a_board_boots_stopped_with_an_open_stop_input(
    board: BoardProcess, console: Console
) -> None:
    """Power on with the mushroom pressed: latched before anybody asked."""
    board.bench.set(0, 0)
    board.bench.reset()
    console.wire.quiet(0.1)
    identity = console.open(0x4444)
    assert identity.stop != 0
    assert identity.flags & BoardFlags.STOP_INPUT_OPEN
    assert console.no(Clear, identity.stop) == "stop-input"


def test_a_boot_forgets_a_stop(board: BoardProcess, console: Console) -> None:
    """A reset unlatches, disarmed and off; the console states the stop with OPEN."""
    console.ask(Stop(console.next_id(), A))
    board.bench.reset()
    console.wire.quiet(0.1)
    assert console.open(0x4444, A).stop == 0
    assert latched(console) == A


KINDS_AT_STOP = (
    prop(),
    output(1, kind=OutputKind.SOUND),
    output(2, kind=OutputKind.FOG),
    output(3, kind=OutputKind.DUMP),
    output(4, kind=OutputKind.MOTION),
)
LIGHTS_AT_STOP = (
    prop(),
    output(1, kind=OutputKind.LIGHT, at_stop=AtStop.OFF),
    output(2, kind=OutputKind.LIGHT, at_stop=AtStop.ON),
    output(3, kind=OutputKind.LIGHT, at_stop=AtStop.KEEP),
    output(4, kind=OutputKind.LIGHT, at_stop=AtStop.KEEP),
)


def test_every_kind_but_lights_goes_off(board: BoardProcess, console: Console) -> None:
    """Motion, sound, fog and the air itself: off."""
    armed(console, KINDS_AT_STOP, Stored(1, 3000, ("0:1+", "0:2+", "0:3+", "0:4+")))
    console.yes(Fire, 1)
    board.bench.outputs(0b1111)
    console.wire.stop_byte()
    board.bench.outputs(0, seconds=1)


def test_lights_do_as_their_setup_says(board: BoardProcess, console: Console) -> None:
    """Off, on, or as it was; a DISARM while latched and the clear leave them so."""
    armed(console, LIGHTS_AT_STOP, Stored(1, 3000, ("0:1+", "0:3+")))
    console.yes(Fire, 1)
    board.bench.outputs(0b0101)
    console.wire.stop_byte()
    board.bench.outputs(0b0110, seconds=1)
    mark = board.bench.mark()
    console.ask(Disarm(console.next_id(), 0))
    console.yes(Clear, latched(console))
    console.rest(0.2)
    assert board.bench.since(mark) == []


def test_a_clear_ends_no_fault(board: BoardProcess, console: Console) -> None:
    """A prop that was in fault is in fault again after the clear, until MEND."""
    armed(console, (prop(), output(1, longest=100)), Stored(1, 400, ("0:1+",)))
    console.yes(Fire, 1)
    console.wait(PropReport, lambda r: r.state is State.FAULT)
    console.ask(Stop(console.next_id(), A))
    assert console.prop_report().state is State.STOPPED
    console.yes(Clear, A)
    assert console.prop_report().state is State.FAULT
    console.yes(Mend, 1)
    assert console.prop_report().state is State.DISARMED


def test_a_stop_before_anybody_spoke(board: BoardProcess, wire: Wire) -> None:
    """The byte acts on a board that has no session and no setup."""
    wire.stop_byte()
    assert Console(wire).open(5).stop != 0


def test_a_cycle_that_was_stopped_is_counted_once(board: BoardProcess, console: Console) -> None:
    """Stopped in the middle: one record, with the time until then."""
    running(console, board)
    console.rest(0.2)
    console.wire.stop_byte()
    record = wait_cycle(console, 1)
    assert record.outcome is Outcome.STOPPED
    assert 150 <= record.duration_ms <= 1500
    console.rest(0.3)
    assert {m.number for m in console.heard() if isinstance(m, CycleRecord)} == {1}
