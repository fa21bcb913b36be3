"""Who may speak to a board, and that nothing is done twice."""

from __future__ import annotations

from drivers.framing import encode
from drivers.messages import (
    Arm,
    Clear,
    CycleRecord,
    Disarm,
    Fire,
    Hello,
    Hex32,
    Lamp,
    Meters,
    No,
    Open,
    Poll,
    PropReport,
    Stop,
    Unknown,
    Yes,
)
from drivers.words import State
from tests.boards import BoardProcess, Console, Wire
from tests.conformance.stage import EVERY, SHORT, TWO, Stored, armed, wait_cycle


def frame(text: str) -> bytes:
    return encode(1, tuple(text.split()))


def test_guards_come_in_order(console: Console) -> None:
    """The first of boot, session and the verb's own reason that fails is the one given."""
    wrong = Hex32(console.session ^ 1), Hex32(console.boot ^ 1)
    answers = [
        console.ask(Arm(console.next_id(), session, boot, 99, EVERY))
        for session, boot in (
            (wrong[0], wrong[1]),
            (console.session, wrong[1]),
            (wrong[0], console.boot),
            (console.session, console.boot),
        )
    ]
    assert [a.reason for a in answers if isinstance(a, No)] == ["boot", "boot", "session", "value"]


def test_without_a_session_guarded_requests_are_refused(wire: Wire) -> None:
    """The right boot is not enough, and session 0 is no session."""
    console = Console(wire)
    console.hello()
    assert console.no(Poll, 0) == "session"
    console.session = Hex32(5)
    assert console.no(Lamp, 1) == "session"


def test_open_needs_the_boot(console: Console) -> None:
    """A session cannot be opened on a boot that is over; the open one stays."""
    answer = console.ask(Open(console.next_id(), Hex32(console.boot ^ 1), Hex32(9), Hex32(0)))
    assert isinstance(answer, No)
    assert answer.reason == "boot"
    console.poll()


def test_session_zero_cannot_be_opened(console: Console) -> None:
    """0 stands for no session; the request makes no sense."""
    request = Open(console.next_id(), console.boot, Hex32(0), Hex32(0))
    assert isinstance(console.ask(request), Unknown)
    console.poll()


def test_opening_the_open_session_changes_nothing(console: Console) -> None:
    """A repeated OPEN of the same session disarms nothing."""
    armed(console)
    console.ask(Open(console.next_id(), console.boot, console.session, Hex32(0)))
    assert console.prop_report().state is State.ARMED


def test_a_new_session_disarms(board: BoardProcess, console: Console) -> None:
    """Whoever opens a session finds everything disarmed and off, and the old session closed."""
    armed(console)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    old = console.session
    console.open(0xBEEF)
    board.bench.outputs(0, seconds=0.5)
    assert console.prop_report().state is State.DISARMED
    answer = console.ask(Poll(console.next_id(), old, console.boot, 0))
    assert isinstance(answer, No)
    assert answer.reason == "session"


def test_a_new_session_forgets_request_ids(console: Console) -> None:
    """The same id means something new in a new session."""
    console.ask(Meters(500, console.session, console.boot, 1))
    console.open(0xBEEF)
    answer = console.ask(Poll(3, console.session, console.boot, 0))
    assert isinstance(answer, Yes)
    assert len(answer.values) == 1


def test_a_repeated_fire_fires_once(board: BoardProcess, console: Console) -> None:
    """The same id is answered again, during the cycle and after it, and never acted on again."""
    armed(console)
    fire = console.make(Fire, 1)
    mark = board.bench.mark()
    answers = [console.ask(fire) for _ in range(3)]
    wait_cycle(console, 1)
    console.rest(0.3)
    answers.append(console.ask(fire))
    console.rest(0.4)
    assert answers == [Yes(fire.req)] * 4
    assert [p.outputs for p in board.bench.since(mark)] == [0b01, 0b11, 0b10, 0]
    assert {m.number for m in console.heard() if isinstance(m, CycleRecord)} == {1}


def test_a_refusal_is_repeated_too(console: Console) -> None:
    """A fire that was refused stays refused under its id, even if it could be done by now."""
    armed(console)
    console.yes(Fire, 1)
    early = console.make(Fire, 1)
    assert console.ask(early) == No(early.req, "running")
    wait_cycle(console, 1)
    console.rest(0.3)
    assert console.ask(early) == No(early.req, "running")


def test_eight_requests_are_remembered(console: Console) -> None:
    """The last eight get their own answers again; an older one gets NO value."""
    requests = [console.make(Poll, 0) for _ in range(9)]
    answers = [console.ask(request) for request in requests]
    assert [console.ask(request) for request in requests[1:]] == answers[1:]
    assert console.ask(requests[0]) == No(requests[0].req, "value")


def test_ids_go_round(console: Console) -> None:
    """After 65535 comes 1, and what was before is still older."""
    for request_id in (65534, 65535, 1, 2):
        answer = console.ask(Poll(request_id, console.session, console.boot, 0))
        assert isinstance(answer, Yes), answer
    answer = console.ask(Meters(65000, console.session, console.boot, 1))
    assert answer == No(65000, "value")


def test_a_strangers_refusal_leaves_the_id_free(console: Console) -> None:
    """What was refused with boot or session does not use up the id of the session's own."""
    console.ask(Poll(100, Hex32(console.session ^ 1), console.boot, 0))
    console.ask(Poll(100, console.session, Hex32(console.boot ^ 1), 0))
    assert isinstance(console.ask(Poll(100, console.session, console.boot, 0)), Yes)


NONSENSE = {
    "DANCE 7": 7,
    "DANCE": 0,
    "HELLO": 0,
    "HELLO 0": 0,
    "HELLO 65536": 0,
    "HELLO 99999": 0,
    "HELLO x": 0,
    "HELLO -1": 0,
    "HELLO 7 more": 7,
    "hello 7": 7,
    "STOP 7": 7,
    "STOP 7 12": 7,
    "DISARM 7 one": 7,
    "OPEN 7 00000001 0000000G 00000000": 7,
    "ARM 7 5E21AA07": 7,
    "YES 7": 7,
    "CYCLE 7": 7,
}
GUARDED_NONSENSE = (
    "ARM 7 {s} {b} 1",
    "ARM 7 {s} {b} 1 0005 1",
    "ARM 7 {s} {b} 1 5",
    "ARM 7 {s} {b} 1 abcd",
    "FIRE 7 {s} {b} one",
    "SETIN 7 {s} {b} 1 1 mat high 0 0 0",
    "SEQ 7 {s} {b} 1 1 cycle 100 1 12",
)


def test_nonsense_is_unknown(console: Console) -> None:
    """Unknown verbs and ill-shaped words are answered as such, with the id if there is one."""
    for text, request_id in NONSENSE.items():
        mark = len(console.wire.heard)
        console.wire.send(frame(text))
        answer = console.wait(Unknown, since=mark, beat=False)
        assert answer.req == request_id, text


def test_guarded_nonsense_does_nothing(console: Console) -> None:
    """A guarded request that cannot be read is UNKNOWN and leaves its id free."""
    for text in GUARDED_NONSENSE:
        mark = len(console.wire.heard)
        console.wire.send(frame(text.format(s=f"{console.session:08X}", b=f"{console.boot:08X}")))
        assert console.wait(Unknown, since=mark, beat=False).req == 7, text
    assert isinstance(console.ask(Poll(7, console.session, console.boot, 0)), Yes)


def test_every_request_gets_exactly_one_answer(console: Console) -> None:
    """Granted, refused and unknown: one answer each, in order."""
    console.wire.quiet(0.1)
    mark = len(console.wire.heard)
    session, boot = console.session, console.boot
    console.wire.send(
        encode(1, Hello(401).words())
        + encode(1, Poll(402, session, boot, 0).words())
        + encode(1, Fire(403, session, boot, 1).words())
    )
    console.wire.quiet(0.1)
    console.wire.send(
        encode(1, Clear(404, session, boot, Hex32(5)).words())
        + encode(1, Disarm(405, 0).words())
        + encode(1, ("NOTHING", "406"))
    )
    console.wire.quiet(0.3)
    answers = [m for m in console.heard(mark) if isinstance(m, Yes | No | Unknown)]
    assert [(m.verb, m.req) for m in answers] == [
        ("YES", 401), ("YES", 402), ("NO", 403), ("NO", 404), ("YES", 405), ("UNKNOWN", 406),
    ]  # fmt: skip


def test_stop_and_disarm_act_without_a_session(
    board: BoardProcess, wire: Wire, console: Console
) -> None:
    """Anybody may stop and disarm: no session is asked for."""
    armed(console)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    stranger = Console(wire)
    assert isinstance(stranger.ask(Disarm(60001, 1)), Yes)
    board.bench.outputs(0, seconds=0.5)
    assert isinstance(stranger.ask(Stop(60002, Hex32(0x77))), Yes)
    assert console.hello().stop == 0x77


def test_disarm_knows_its_props(console: Console) -> None:
    """0 is every prop; a number beyond the board's is refused."""
    identity = console.hello()
    assert isinstance(console.ask(Disarm(1001, 0)), Yes)
    assert console.ask(Disarm(1002, identity.props + 1)) == No(1002, "value")


def test_a_disarm_of_one_prop_leaves_the_other(console: Console) -> None:
    """DISARM 2 leaves prop 1 armed."""
    armed(console, TWO, SHORT, Stored(2, 100, ("0:3+", "50:3-"), prop=2))
    console.yes(Arm, 2, EVERY)
    mark = len(console.wire.heard)
    console.ask(Disarm(1001, 2))
    console.wait(PropReport, lambda r: r.prop == 2 and r.state is State.DISARMED, since=mark)
    assert console.prop_report(1).state is State.ARMED


def test_ranges_are_kept(console: Console) -> None:
    """Numbers that this board cannot have are refused with value."""
    identity = console.hello()
    assert console.no(Arm, identity.props + 1, EVERY) == "value"
    assert console.no(Arm, 0, EVERY) == "value"
    assert console.no(Fire, 0) == "value"
    assert console.no(Meters, 0) == "value"
    assert console.no(Meters, identity.outputs + 1) == "value"
    assert console.no(Lamp, 2) == "value"
    assert len(console.yes(Meters, 1)) == min(8, identity.outputs)
