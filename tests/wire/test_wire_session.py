"""Sessions and lines without input or output, against a board that answers as told."""

from __future__ import annotations

from itertools import count, pairwise

from drivers.framing import STOP_BYTE, Frame, Framer, StopByte, encode
from drivers.line import TURN_MS, Line
from drivers.messages import (
    PROTOCOL_HASH,
    Arm,
    Boot,
    Clear,
    Disarm,
    Fire,
    Guarded,
    Hello,
    Hex16,
    Hex32,
    Identity,
    Message,
    No,
    Open,
    Poll,
    Request,
    Stop,
    Yes,
    parse_to_board,
)
from drivers.reports import Ending, Opened, Phase, Reply, Stranger
from drivers.requests import UNANSWERED_BYTES
from drivers.session import Session
from drivers.setup import BoardSetup, PropSetup
from drivers.words import BoardFlags, Reason, ResetCause, Sources

SETUP = BoardSetup(1500, 500, (PropSetup(1, 1000, 1),), (), (), ())


def session(name: str = "B-1", address: int = 1, *, shared: bool = False) -> Session:
    """A session whose ids count up."""
    ids = count(0x100)
    return Session(name, address, SETUP, shared=shared, new_id=lambda: next(ids))


def hello_answer(req: int, name: str = "B-1", boot: int = 7, stop: int = 0) -> Yes:
    """What a board with the right setup says of itself."""
    me = Identity(
        Hex32(boot), name, "1.0", PROTOCOL_HASH, 4, 16, 16, 8, 256, 96, 16, Hex32(stop),
        BoardFlags(0), Hex16(SETUP.checksum), (),
    )  # fmt: skip
    return Yes(req, me.words()[1:])


class Talk:
    """A line and the requests that came out of it."""

    def __init__(self, *sessions: Session) -> None:
        self.line = Line(list(sessions))
        self.now = 0.0
        self.framer = Framer()
        self.sent: list[tuple[int, Request]] = []
        self.stop_bytes = 0
        self.line.opened(0.0)

    def pump(self, ms: float = 0.0) -> list[Request]:
        """Let time pass in small steps; the requests that were sent meanwhile."""
        mark = len(self.sent)
        end = self.now + ms
        while True:
            self.line.tick(self.now)
            while data := self.line.take_bytes(self.now):
                for item in self.framer.feed(data):
                    if isinstance(item, StopByte):
                        self.stop_bytes += 1
                    elif isinstance(item, Frame):
                        request = parse_to_board(item.words)
                        assert isinstance(request, Request)
                        self.sent.append((item.address, request))
            if self.now >= end:
                return [request for _, request in self.sent[mark:]]
            self.now = min(end, self.now + 5)

    def say(self, message: Message, address: int = 1) -> None:
        """Let a board say something."""
        self.line.receive(encode(address, message.words()), self.now)

    def live(self) -> None:
        """Answer hello, open and the first poll."""
        hello = self.pump()[-1]
        assert isinstance(hello, Hello)
        self.say(hello_answer(hello.req))
        (opening,) = self.pump()
        assert isinstance(opening, Open)
        self.say(Yes(opening.req))
        (poll,) = self.pump()
        assert isinstance(poll, Poll)
        self.say(Yes(poll.req, ("1000",)))
        assert self.line.sessions[0].phase is Phase.LIVE
        self.line.take_reports()

    def replies(self) -> list[Reply]:
        """How requests ended since the last look."""
        return [r for _, r in self.line.take_reports() if isinstance(r, Reply)]


def test_a_board_becomes_live_by_hello_open_and_poll() -> None:
    """The session id and the boot of the hello are in the open request."""
    talk = Talk(session())
    talk.live()
    opening = next(r for _, r in talk.sent if isinstance(r, Open))
    assert (opening.boot, opening.session, opening.stop) == (7, 0x100, 0)


def test_a_latched_board_is_stopped_before_anything_else() -> None:
    """With a stop in force the first byte on the line is the stop byte, and the open names it."""
    one = session()
    one.latched_stop = 99
    talk = Talk(one)
    first = talk.line.take_bytes(0.0)
    assert first == bytes([STOP_BYTE])
    hello = talk.pump()[-1]
    talk.say(hello_answer(hello.req))
    opening = talk.pump()[-1]
    assert isinstance(opening, Open)
    assert opening.stop == 99
    talk.say(Yes(opening.req))
    opened = [r for _, r in talk.line.take_reports() if isinstance(r, Opened)]
    assert opened[0].stop == 99


def test_another_board_is_a_stranger_and_gets_no_session() -> None:
    """Its id decides who a board is, not its port."""
    talk = Talk(session())
    hello = talk.pump()[-1]
    talk.say(hello_answer(hello.req, name="B-2"))
    assert not any(isinstance(r, Open) for r in talk.pump(1000))
    strangers = [r for _, r in talk.line.take_reports() if isinstance(r, Stranger)]
    assert strangers[0].identity.board == "B-2"


def test_an_unanswered_request_is_repeated_under_its_own_id() -> None:
    """The same bytes again, and nothing guarded in between."""
    talk = Talk(session())
    talk.live()
    talk.line.sessions[0].ask("arm", Arm, 1, Sources(7))
    talk.line.sessions[0].ask("later", Arm, 2, Sources(7))
    sent = talk.pump(500)
    assert len(sent) >= 3
    assert {r.words() for r in sent} == {sent[0].words()}
    talk.say(Yes(sent[0].req))
    assert [r.ref for r in talk.replies()] == ["arm"]


def test_a_fire_without_an_answer_is_given_up_and_never_sent_anew() -> None:
    """After 0.6 s the operator is told that nobody knows, and its id is never used again."""
    talk = Talk(session())
    talk.live()
    talk.line.sessions[0].ask("fire", Fire, 1)
    fires = [r for r in talk.pump(1200) if isinstance(r, Fire)]
    assert len({r.req for r in fires}) == 1
    assert [r.ending for r in talk.replies()] == [Ending.NO_ANSWER]
    assert not any(isinstance(r, Fire) for r in talk.pump(1000))


def test_stop_and_disarm_go_past_what_is_out_and_end_what_starts_something() -> None:
    """A fire that waits for its answer is not repeated once a disarm went out."""
    talk = Talk(session())
    talk.live()
    board = talk.line.sessions[0]
    board.ask("fire", Fire, 1)
    board.ask("arm", Arm, 1, Sources(7))
    assert [type(r) for r in talk.pump()] == [Fire]
    board.ask("disarm", Disarm, 1)
    assert [type(r) for r in talk.pump()] == [Disarm]
    assert Reply("arm", Ending.CANCELLED) in talk.replies()
    assert not any(isinstance(r, Fire | Arm) for r in talk.pump(500))


def test_a_framed_stop_needs_no_session() -> None:
    """Also a board that is still being greeted is told to stop."""
    talk = Talk(session())
    talk.pump()
    talk.line.stop(5)
    assert any(isinstance(r, Stop) and r.stop == 5 for r in talk.pump())


def test_a_silent_board_is_lost_after_its_heartbeat_and_greeted_again() -> None:
    """Everything under way ends, and the next session has a new id."""
    talk = Talk(session())
    talk.live()
    talk.line.sessions[0].ask("arm", Arm, 1, Sources(7))
    talk.pump(1600)
    assert talk.line.sessions[0].phase is Phase.GREETING
    assert [r.ending for r in talk.replies()] == [Ending.NO_ANSWER]
    hello = next(r for r in reversed(talk.pump(300)) if isinstance(r, Hello))
    talk.say(hello_answer(hello.req))
    opening = next(r for r in talk.pump() if isinstance(r, Open))
    assert opening.session == 0x101


def test_a_boot_message_ends_the_session_at_once() -> None:
    """A board that was reset is greeted without waiting for its silence."""
    talk = Talk(session())
    talk.live()
    talk.say(Boot(Hex32(8), ResetCause.WATCHDOG))
    assert talk.line.sessions[0].phase is Phase.GREETING
    assert any(isinstance(r, Hello) for r in talk.pump())


def test_a_refusal_for_session_or_boot_begins_anew() -> None:
    """A board that knows another session has to be opened again."""
    talk = Talk(session())
    talk.live()
    talk.line.sessions[0].ask("arm", Arm, 1, Sources(7))
    (arm,) = talk.pump()
    talk.say(No(arm.req, Reason.SESSION))
    assert talk.line.sessions[0].phase is Phase.GREETING
    assert [r.reason for r in talk.replies()] == [Reason.SESSION]


def test_it_polls_at_least_four_times_in_a_heartbeat() -> None:
    """PROTOCOL.md, section 6."""
    talk = Talk(session())
    talk.live()
    times = []
    for _ in range(800):
        for request in talk.pump(5):
            if isinstance(request, Poll):
                times.append(talk.now)
                talk.say(Yes(request.req, (str(int(talk.now)),)))
    gaps = [b - a for a, b in pairwise(times)]
    assert max(gaps) <= 1500 / 4


def test_unanswered_bytes_are_capped_while_a_setup_is_sent() -> None:
    """A stop never waits behind more than a little on the wire."""
    many = BoardSetup(1500, 500, tuple(PropSetup(n, 1000, n) for n in range(1, 30)), (), (), ())
    ids = count(1)
    talk = Talk(Session("B-1", 1, many, new_id=lambda: next(ids)))
    hello = talk.pump()[-1]
    talk.say(hello_answer(hello.req))
    (opening,) = talk.pump()
    talk.say(Yes(opening.req))
    (poll,) = talk.pump()
    talk.say(Yes(poll.req, ("1",)))
    sent = talk.pump()
    assert sent
    assert sum(len(encode(0, r.words())) for r in sent) <= UNANSWERED_BYTES


def test_a_shared_line_speaks_to_one_board_at_a_time() -> None:
    """The next board has its turn after an answer or after the silence of the first."""
    talk = Talk(session("B-1", 1, shared=True), session("B-2", 2, shared=True))
    assert [(a, type(r)) for a, r in talk.sent] == []
    first = talk.pump()
    assert len(first) == 1
    assert talk.sent[0][0] == 1
    talk.say(hello_answer(first[0].req), address=1)
    talk.pump()
    assert talk.sent[1][0] == 2
    mark = len(talk.sent)
    talk.pump(TURN_MS - 10)
    assert len(talk.sent) == mark
    talk.pump(20)
    assert talk.sent[mark][0] == 1


def test_every_guarded_request_names_session_and_boot() -> None:
    """Nothing that acts goes out without saying for whom it is meant."""
    talk = Talk(session())
    talk.live()
    talk.line.sessions[0].ask("arm", Arm, 1, Sources(7))
    talk.pump(2000)
    guarded = [r for _, r in talk.sent if isinstance(r, Guarded)]
    assert guarded
    assert {(r.session, r.boot) for r in guarded} == {(0x100, 7)}


def test_a_stop_that_is_still_repeated_never_comes_after_the_clear() -> None:
    """Once a clear is asked, an unanswered stop is not sent again: it would undo the clear."""
    talk = Talk(session())
    talk.live()
    talk.line.stop(5)
    assert any(isinstance(r, Stop) for r in talk.pump())
    talk.line.sessions[0].latched_stop = 0
    talk.line.sessions[0].ask("clear", Clear, Hex32(5))
    sent = talk.pump(600)
    assert any(isinstance(r, Clear) for r in sent)
    assert not any(isinstance(r, Stop) for r in sent)
