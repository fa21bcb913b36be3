"""Setups and sequences: in force only when whole, by their checksums."""

from __future__ import annotations

from drivers.framing import crc16
from drivers.messages import (
    Arm,
    Begin,
    EndSetup,
    Fire,
    PropReport,
    SetInput,
    SetOutput,
    SetProp,
    SetSequence,
    SetSteps,
)
from drivers.messages import Test as RunTest
from drivers.words import State
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
    output,
    prepare,
    prop,
    setup_text,
    upload_sequence,
    upload_setup,
    wait_cycle,
)


def begin_sequence(console: Console, stored: Stored, **changes: int) -> str:
    """Sends SEQ; `granted`, or the reason."""
    fields = {"length": stored.length, "steps": len(stored.steps), "checksum": stored.checksum}
    fields.update(changes)
    answer = console.do(
        SetSequence, stored.number, stored.prop, stored.kind, fields["length"], fields["steps"],
        fields["checksum"],
    )  # fmt: skip
    return getattr(answer, "reason", "granted")


def test_the_hello_shows_what_is_held(console: Console) -> None:
    """The setup's checksum and those of the whole sequences; BEGIN and SEQ void them."""
    checksum = upload_setup(console)
    upload_sequence(console, SHORT)
    upload_sequence(console, OTHER, at_once=1)
    identity = console.hello()
    assert identity.setup == checksum
    assert identity.checksums[:2] == (SHORT.checksum, OTHER.checksum)
    assert not any(identity.checksums[2:])
    assert begin_sequence(console, OTHER) == "granted"
    console.yes(Begin, 1500, 500)
    identity = console.hello()
    assert identity.setup == 0
    assert identity.checksums[:2] == (SHORT.checksum, 0)


def test_a_new_session_keeps_setup_and_sequences(console: Console) -> None:
    """They last until the next reset, whoever speaks."""
    checksum = upload_setup(console)
    upload_sequence(console, SHORT)
    identity = console.open(0x3333)
    assert (identity.setup, identity.checksums[0]) == (checksum, SHORT.checksum)
    console.yes(Arm, 1, EVERY)


def test_a_wrong_checksum_is_no_setup(console: Console) -> None:
    """What does not match is not in force."""
    console.yes(Begin, 1500, 500)
    for cls, fields in BASIC:
        console.yes(cls, *fields)
    assert console.no(EndSetup, 0x1234) == "checksum"
    assert console.hello().setup == 0
    upload_sequence(console, SHORT)
    assert console.no(Arm, 1, EVERY) == "setup"
    assert upload_setup(console) == console.hello().setup


def test_a_setup_needs_its_begin(console: Console) -> None:
    """Items and the end are refused where no setup was begun, and after it ended."""
    for _ in range(2):
        assert console.no(SetProp, 1, 100, 1, 0, 0, 0, 0) == "setup"
        assert console.no(*flat(output(1))) == "setup"
        assert console.no(EndSetup, 0x1234) == "setup"
        upload_setup(console)


def flat(item: tuple[type, tuple[object, ...]]) -> tuple[object, ...]:
    """A setup's item as the arguments of a request."""
    return (item[0], *item[1])


def test_items_have_their_ranges(console: Console) -> None:
    """Numbers out of range or not ascending are refused, and leave the setup as it was."""
    identity = console.hello()
    console.yes(Begin, 1500, 500)
    assert console.no(SetProp, 0, 100, 1, 0, 0, 0, 0) == "value"
    assert console.no(SetProp, identity.props + 1, 100, 1, 0, 0, 0, 0) == "value"
    assert console.no(SetProp, 1, 100, 0, 0, 0, 0, 0) == "value"
    assert console.no(SetProp, 1, 100, identity.sequences + 1, 0, 0, 0, 0) == "value"
    assert console.no(SetProp, 1, 100, 1, 0, 2, 500, 400) == "value"
    console.yes(*flat(prop()))
    assert console.no(*flat(prop())) == "value"
    assert console.no(*flat(output(identity.outputs + 1))) == "value"
    assert console.no(*flat(output(1, prop=0))) == "value"
    assert console.no(SetOutput, 1, 1, "motion", "off", 0, identity.inputs + 1, 0, 0) == "value"
    console.yes(*flat(output(1)))
    console.yes(*flat(output(2)))
    assert console.no(*flat(output(1))) == "value"
    assert console.no(SetInput, identity.inputs + 1, 1, "sensor", "low", 20, 0, 1) == "value"
    assert console.no(SetInput, 1, 1, "sensor", "low", 20, 0, 2) == "value"
    items = [(Begin, (1500, 500)), prop(), output(1), output(2)]
    console.yes(EndSetup, crc16(setup_text(items).encode()))


def test_begin_has_its_ranges(console: Console) -> None:
    """A heartbeat of 100 to 60000 ms, reports each 50 to 60000 ms; a refusal voids nothing."""
    checksum = upload_setup(console)
    for heartbeat, report in ((99, 500), (60001, 500), (1500, 49), (1500, 60001)):
        assert console.no(Begin, heartbeat, report) == "value"
    assert console.hello().setup == checksum
    console.yes(Begin, 100, 50)
    console.yes(Begin, 60000, 60000)


def test_a_setup_that_does_not_hang_together(console: Console) -> None:
    """An output of a prop that is not there: the setup is refused as a whole."""
    items = [(Begin, (1500, 500)), prop(), output(1, prop=2)]
    console.yes(Begin, 1500, 500)
    console.yes(*flat(items[1]))
    answer = console.do(*flat(items[2]))
    if answer.verb == "YES":
        assert console.no(EndSetup, crc16(setup_text(items).encode())) in ("setup", "value")
    assert console.hello().setup == 0


def test_nothing_is_uploaded_under_a_prop_that_is_armed(
    board: BoardProcess, console: Console
) -> None:
    """BEGIN wants everything disarmed and at rest, SEQ its own prop."""
    armed(console, BASIC, LONG)
    assert console.no(Begin, 1500, 500) == "armed"
    assert begin_sequence(console, LONG) == "armed"
    console.yes(Fire, 1)
    assert console.no(Begin, 1500, 500) in ("running", "armed")
    assert begin_sequence(console, OTHER) in ("running", "armed")
    board.bench.outputs(0b01)
    console.open(0x5555)
    console.rest(0.25)
    console.yes(RunTest, 1, 1)
    assert console.no(Begin, 1500, 500) == "running"
    assert begin_sequence(console, OTHER) == "running"


def test_another_prop_may_be_armed_meanwhile(console: Console) -> None:
    """A sequence of prop 2 can be replaced while prop 1 is armed."""
    if console.hello().props < 2:
        return
    mine = Stored(2, 100, ("0:3+", "50:3-"), prop=2)
    armed(console, TWO, SHORT, mine)
    upload_sequence(console, mine)
    assert console.prop_report(1).state is State.ARMED


def test_a_sequences_steps_come_in_order(console: Console) -> None:
    """From the number that is next, in time, on outputs that exist, no more than announced."""
    identity = console.hello()
    upload_setup(console)
    assert console.no(SetSteps, 1, 0, ("0:1+",)) == "sequence"
    assert begin_sequence(console, SHORT) == "granted"
    assert console.no(SetSteps, 1, 1, SHORT.steps[1:2]) == "value"
    console.yes(SetSteps, 1, 0, SHORT.steps[:2])
    assert console.no(SetSteps, 1, 0, SHORT.steps[:2]) == "value"
    assert console.no(SetSteps, 1, 2, ("50:1-",)) == "value"
    assert console.no(SetSteps, 1, 2, (f"200:{identity.outputs + 1}-",)) == "value"
    assert console.no(SetSteps, 1, 2, ("200:0-",)) == "value"
    assert console.no(SetSteps, 1, 2, ("301:1-",)) == "value"
    for word in ("200:1", "200-1+", ":1-", "200:-", "x:1-"):
        assert console.do(SetSteps, 1, 2, (word,)).verb in ("NO", "UNKNOWN")
    assert console.no(SetSteps, 1, 2, (*SHORT.steps[2:], "290:1-")) in ("value", "full")
    assert console.no(Arm, 1, EVERY) == "sequence"
    console.yes(SetSteps, 1, 2, SHORT.steps[2:])
    console.yes(Arm, 1, EVERY)


def test_a_sequence_with_a_wrong_checksum_is_none(console: Console) -> None:
    """The last step's answer is checksum, and nothing can be armed with it."""
    upload_setup(console)
    assert begin_sequence(console, SHORT, checksum=SHORT.checksum ^ 1) == "granted"
    assert console.no(SetSteps, 1, 0, SHORT.steps) == "checksum"
    assert console.hello().checksums[0] == 0
    assert console.no(Arm, 1, EVERY) == "sequence"
    upload_sequence(console, SHORT)
    console.yes(Arm, 1, EVERY)


def test_a_board_can_be_full(console: Console) -> None:
    """More steps than the hello promises are refused; exactly so many fit."""
    identity = console.hello()
    most = Stored(1, 60000, tuple(f"{n}:1{'-' if n % 2 else '+'}" for n in range(identity.steps)))
    upload_setup(console)
    assert begin_sequence(console, most, steps=identity.steps + 1) in ("full", "value")
    upload_sequence(console, most, at_once=8 if identity.longest_frame > 150 else 4)
    assert console.hello().checksums[0] == most.checksum
    assert begin_sequence(console, OTHER) == "full"
    assert begin_sequence(console, SHORT) == "granted"
    assert begin_sequence(console, OTHER) == "granted"


def test_sequences_have_their_ranges(console: Console) -> None:
    """Numbers, props and lengths that cannot be are refused."""
    identity = console.hello()
    upload_setup(console)
    assert begin_sequence(console, Stored(0, 100, ("0:1+",))) == "value"
    assert begin_sequence(console, Stored(identity.sequences + 1, 100, ("0:1+",))) == "value"
    assert begin_sequence(console, Stored(1, 100, ("0:1+",), prop=0)) == "value"
    assert begin_sequence(console, Stored(1, 100, ("0:1+",), prop=identity.props + 1)) == "value"
    assert begin_sequence(console, SHORT, length=0) == "value"
    assert begin_sequence(console, SHORT, steps=0) == "value"


def test_a_replaced_sequence_is_the_one_that_runs(board: BoardProcess, console: Console) -> None:
    """The same number uploaded anew plays the new steps."""
    prepare(console)
    upload_sequence(console, Stored(1, 100, ("0:2+", "50:2-")))
    console.yes(Arm, 1, EVERY)
    mark = board.bench.mark()
    console.yes(Fire, 1)
    wait_cycle(console, 1)
    assert [p.outputs for p in board.bench.since(mark)] == [0b10, 0]


def test_a_new_setup_selects_its_default(console: Console) -> None:
    """SETPROP's sequence is the selected one from then on."""
    prepare(console, (prop(sequence=2), *BASIC[1:]), SHORT, OTHER)
    report = console.wait(PropReport, lambda r: r.selected == 2, since=0)
    assert report.state is State.DISARMED


def test_a_repeated_step_frame_is_stored_once(console: Console) -> None:
    """The same request again, as after a lost answer, does not store the steps twice."""
    upload_setup(console)
    assert begin_sequence(console, SHORT) == "granted"
    for first in (0, 2):
        request = console.make(SetSteps, 1, first, SHORT.steps[first : first + 2])
        assert console.ask(request) == console.ask(request)
    assert console.hello().checksums[0] == SHORT.checksum
