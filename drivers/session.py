"""One board, from an address and the id it should have to a live session. No input or output.

The owner feeds messages and time, and takes bytes out one frame at a time; everything the board
says or does comes back as reports. A session that was lost begins anew with a new id, which disarms
the board: nothing that was asked in the old one is ever sent in the new one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from drivers.boardclock import BoardClock
from drivers.framing import STOP_BYTE
from drivers.messages import (
    PROTOCOL_HASH,
    BadMessage,
    BoardReport,
    Boot,
    Busy,
    CycleRecord,
    EventRecord,
    Hello,
    Hex32,
    Identity,
    Message,
    No,
    Open,
    Poll,
    PropReport,
    Request,
    Stop,
    Unknown,
    Yes,
)
from drivers.reports import (
    Ending,
    Foreign,
    Heard,
    Opened,
    Phase,
    PhaseChanged,
    Reply,
    SessionReport,
    StopAnswered,
    Stranger,
    UploadFailed,
)
from drivers.requests import Requests, Urgency, urgency_of
from drivers.setup import BoardSetup
from drivers.words import Reason

HELLO_MS = 250.0
HELLO_SHARED_MS = 1000.0
STRANGER_MS = 2000.0
UPLOAD_AGAIN_MS = 3000.0
LONGEST_REQUEST = 120
"""Bytes of the longest frame sent: a stop byte never waits behind more."""

_SESSION = object()
_UPLOAD = object()


class Session:
    """The engine's side of one board. All times are ms of one monotonic clock."""

    def __init__(
        self,
        board: str,
        address: int,
        setup: BoardSetup,
        *,
        shared: bool = False,
        new_id: Callable[[], int],
        on_asked: Callable[[], None] = lambda: None,
    ) -> None:
        """`new_id` gives random numbers from 1 to 2**32-1, one for each session.

        `on_asked` is called when the owner has asked for something that the line should take up.
        """
        self.board = board
        self.address = address if shared else 0
        self.setup = setup
        self.shared = shared
        self.phase = Phase.GREETING
        self.identity: Identity | None = None
        self.session = 0
        self.boot = 0
        self.clock = BoardClock()
        self.latched_stop = 0
        """The stop in force; the board is told before anything else."""
        self.may_replace: Callable[[], bool] = lambda: True
        """Whether a setup or sequence that the board holds may be replaced unasked."""
        self.round_trip_ms = 0.0
        self.last_heard_ms: float | None = None
        self._new_id = new_id
        self._on_asked = on_asked
        self._requests = Requests()
        self._polls: deque[bool] = deque([True] * 20, maxlen=20)
        self._next_hello_ms = 0.0
        self._next_poll_ms = 0.0
        self._stop_byte_due = False
        self._reports: list[SessionReport] = []
        self._verifying = False
        self._uploads_left = 0
        self._upload_at_ms: float | None = None
        self._since_ms = 0.0

    # --- what the owner asks ------------------------------------------------------------------

    def ask(self, ref: object, kind: type[Request], *fields: object) -> None:
        """Send a request when its turn comes; it ends in exactly one Reply with this `ref`.

        Guarded ones are cancelled at once where no session is open.
        """
        self._on_asked()
        urgency = urgency_of(kind)
        if urgency is not Urgency.AT_ONCE and not self.phase.is_open:
            self._reports.append(Reply(ref, Ending.CANCELLED))
            return
        self._reports.extend(self._requests.add(ref, kind, fields, urgency))

    def asks(self, kind: type[Request], *fields: object) -> bool:
        """Whether the very same request is under way."""
        return self._requests.holds(kind, fields)

    def stop(self, stop: int) -> None:
        """All-stop under this id, framed; the stop byte itself is the line's to send."""
        self._on_asked()
        self.latched_stop = stop
        if not self._requests.holds(Stop, (Hex32(stop),)):
            self._reports.extend(
                self._requests.add(_SESSION, Stop, (Hex32(stop),), Urgency.AT_ONCE)
            )

    def replace(self) -> None:
        """Send what differs although the board holds something else."""
        self._on_asked()
        if self.phase is Phase.DIFFERS:
            self._begin_upload()

    def restart(self, message: str) -> None:
        """Give the session up and greet the board anew."""
        self._on_asked()
        if self.phase is not Phase.GREETING:
            self._to(Phase.GREETING, message)
        ended = self._requests.drop_all()
        self._reports.extend(r for r in ended if r.ref not in (_SESSION, _UPLOAD))
        self._next_hello_ms = 0.0
        self._uploads_left = 0
        self._upload_at_ms = None
        self._verifying = False

    # --- time and bytes -----------------------------------------------------------------------

    def take_reports(self) -> list[SessionReport]:
        """What happened since the last call, in order."""
        reports, self._reports = self._reports, []
        return reports

    def next_bytes(self, now_ms: float) -> bytes:
        """What to send now: at most one frame, or a stop byte; empty for nothing."""
        if self._stop_byte_due:
            self._stop_byte_due = False
            return bytes([STOP_BYTE])
        return self._requests.next(
            now_ms, self.address, self.session, self.boot, guarded=self.phase.is_open
        )

    def tick(self, now_ms: float) -> None:
        """Let time pass: repeats, polls, greetings and losses become due."""
        for out in self._requests.expired(now_ms):
            if isinstance(out.request, Poll):
                self._polls.append(False)
            elif out.ref is _UPLOAD:
                self._drop_uploads()
                self._upload_at_ms = now_ms
            elif out.ref is not _SESSION:
                self._reports.append(Reply(out.ref, Ending.NO_ANSWER))
        if self.phase is Phase.GREETING:
            self._greet(now_ms)
            return
        heard = self.last_heard_ms if self.last_heard_ms is not None else self._since_ms
        if now_ms - heard > self.setup.heartbeat_ms:
            self.restart(f"no word for {self.setup.heartbeat_ms / 1000:g} s")
            return
        if not self.phase.is_open:
            return
        if self._upload_at_ms is not None and now_ms >= self._upload_at_ms:
            self._upload_at_ms = None
            self._begin_upload()
        if self._verifying and self._requests.idle and not self._requests.any_waiting:
            self._verify_when_sent()
        if now_ms >= self._next_poll_ms:
            self._next_poll_ms = now_ms + self._poll_period_ms
            if not self._requests.holds(Poll, (self._poll_frames,)):
                self._requests.add(_SESSION, Poll, (self._poll_frames,), Urgency.COMMAND)

    def next_deadline(self) -> float:
        """When `tick` has something to do, in ms."""
        due = self._requests.next_deadline()
        if self.phase is Phase.GREETING:
            at = self._next_hello_ms
        else:
            heard = self.last_heard_ms if self.last_heard_ms is not None else self._since_ms
            at = heard + self.setup.heartbeat_ms + 1
            if self.phase.is_open:
                at = min(at, self._next_poll_ms)
            if self._upload_at_ms is not None:
                at = min(at, self._upload_at_ms)
        return at if due is None else min(at, due)

    def heard(self, message: Message, now_ms: float) -> None:
        """Take a message that came from this board's address."""
        if isinstance(message, Yes | No | Busy | Unknown):
            self.last_heard_ms = now_ms
            self._answered(message, now_ms)
        elif isinstance(message, Boot):
            self.last_heard_ms = now_ms
            if message.boot != self.boot or self.phase is Phase.GREETING:
                self._reports.append(Heard(message))
                self.restart(f"the board was reset ({message.cause})")
        elif self.phase.is_open and isinstance(
            message, BoardReport | PropReport | CycleRecord | EventRecord
        ):
            self.last_heard_ms = now_ms
            if isinstance(message, BoardReport) and (
                message.boot != self.boot or message.session != self.session
            ):
                self.restart(
                    "the board was reset"
                    if message.boot != self.boot
                    else "somebody else opened a session"
                )
                return
            self._reports.append(Heard(message))

    @property
    def quality(self) -> float:
        """The share of the last polls that were answered at the first try."""
        return sum(self._polls) / len(self._polls)

    @property
    def any_waiting(self) -> bool:
        """Whether something may be sent as soon as the line allows."""
        return self._stop_byte_due or (self._requests.idle and self._requests.any_waiting)

    # --- inside -------------------------------------------------------------------------------

    @property
    def _poll_period_ms(self) -> float:
        quarter = self.setup.heartbeat_ms / 4 * 0.9
        return min(quarter, 100.0) if self.shared else quarter

    @property
    def _poll_frames(self) -> int:
        return 3 if self.shared else 0

    def _to(self, phase: Phase, message: str = "") -> None:
        self.phase = phase
        self._reports.append(PhaseChanged(phase, message))

    def _greet(self, now_ms: float) -> None:
        if now_ms < self._next_hello_ms:
            return
        self._next_hello_ms = now_ms + (HELLO_SHARED_MS if self.shared else HELLO_MS)
        self._stop_byte_due = bool(self.latched_stop)
        self._requests.add(_SESSION, Hello, (), Urgency.COMMAND)

    def _answered(self, answer: Yes | No | Busy | Unknown, now_ms: float) -> None:
        taken = self._requests.answered(answer, now_ms)
        if taken is None:
            return
        request, reply, out = taken.out.request, taken.reply, taken.out
        if reply.reason in (Reason.BOOT, Reason.SESSION):
            if out.ref not in (_SESSION, _UPLOAD):
                self._reports.append(reply)
            self.restart(f"the board refused: {reply.reason}")
            return
        if isinstance(request, Hello) and isinstance(answer, Yes):
            self._hello(answer, now_ms)
        elif isinstance(request, Stop):
            if reply.ending is Ending.DONE:
                self._reports.append(StopAnswered(request.stop))
        elif isinstance(request, Open):
            self._opened(reply, now_ms)
        elif isinstance(request, Poll):
            self._polled(reply, out.first_ms, now_ms, first_try=out.tries == 1)
        elif out.ref is _UPLOAD:
            self._uploaded(reply, request, now_ms)
        elif out.ref is not _SESSION:
            self._reports.append(reply)

    def _hello(self, answer: Yes, now_ms: float) -> None:
        try:
            identity = Identity.of(answer)
        except BadMessage:
            return
        if self._verifying and identity.boot == self.boot:
            self._verifying = False
            self.identity = identity
            self._compare(now_ms)
            return
        if self.phase is not Phase.GREETING:
            return
        if identity.board != self.board:
            self._next_hello_ms = now_ms + STRANGER_MS
            self._reports.append(Stranger(identity))
            return
        if identity.protocol != PROTOCOL_HASH:
            self._next_hello_ms = now_ms + STRANGER_MS
            self._reports.append(Foreign(identity))
            return
        if identity.boot != self.boot:
            self.clock = BoardClock()
        self.identity, self.boot, self.session = identity, identity.boot, self._new_id()
        self._since_ms = now_ms
        self._to(Phase.OPENING)
        self._stop_byte_due = bool(self.latched_stop)
        fields = (Hex32(self.boot), Hex32(self.session), Hex32(self.latched_stop))
        self._requests.add(_SESSION, Open, fields, Urgency.COMMAND)

    def _opened(self, reply: Reply, now_ms: float) -> None:
        if reply.ending is not Ending.DONE or self.identity is None:
            self.restart("the board refused the session")
            return
        self._uploads_left = 3
        self._next_poll_ms = now_ms
        self._reports.append(Opened(self.identity, self.latched_stop or self.identity.stop))
        self._polls.extend([True] * 20)
        self.phase = Phase.UPLOADING
        # A reading of its clock comes before anything that needs dating.
        self.tick(now_ms)
        self._compare(now_ms)

    def _polled(self, reply: Reply, sent_ms: float, now_ms: float, *, first_try: bool) -> None:
        self._polls.append(first_try)
        if reply.ending is not Ending.DONE or not reply.values or not reply.values[0].isdecimal():
            return
        self.clock.add(int(reply.values[0]), sent_ms, now_ms)
        took = now_ms - sent_ms
        self.round_trip_ms += (took - self.round_trip_ms) * (0.2 if self.round_trip_ms else 1.0)

    def _compare(self, now_ms: float) -> None:
        assert self.identity is not None
        difference = self.setup.differs(self.identity)
        if not difference:
            self._to(Phase.LIVE)
        elif difference.replaces and not self.may_replace():
            self._to(Phase.DIFFERS)
        elif self._uploads_left == 0:
            self._upload_failed("it does not keep what it was sent", now_ms)
        else:
            self._begin_upload()

    def _begin_upload(self) -> None:
        assert self.identity is not None
        if self.phase is not Phase.UPLOADING or self._uploads_left == 3:
            self._to(Phase.UPLOADING)
        self._uploads_left = max(self._uploads_left - 1, 0)
        self._requests.drop_uploads()
        longest = min(self.identity.longest_frame, LONGEST_REQUEST)
        for kind, fields in self.setup.upload(self.setup.differs(self.identity), longest):
            self._requests.add(_UPLOAD, kind, fields, Urgency.UPLOAD)
        self._verify_when_sent()

    def _verify_when_sent(self) -> None:
        # Same urgency as the parts, so that it goes out after the last of them.
        self._requests.add(_SESSION, Hello, (), Urgency.UPLOAD)
        self._verifying = True

    def _uploaded(self, reply: Reply, request: Request, now_ms: float) -> None:
        if reply.ending is Ending.DONE:
            return
        self._drop_uploads()
        if reply.reason in (Reason.RUNNING, Reason.ARMED):
            self._uploads_left = max(self._uploads_left, 1)
            self._upload_at_ms = now_ms + 300.0
            return
        if self._uploads_left:
            # A part that was lost makes the next ones wrong: once more from the beginning.
            self._upload_at_ms = now_ms + 50.0
            return
        why = reply.reason or reply.ending
        self._upload_failed(f"{type(request).verb} refused: {why}", now_ms)

    def _drop_uploads(self) -> None:
        self._requests.drop_uploads()
        self._verifying = False

    def _upload_failed(self, message: str, now_ms: float) -> None:
        self._reports.append(UploadFailed(message))
        self._uploads_left = 1
        self._upload_at_ms = now_ms + UPLOAD_AGAIN_MS
