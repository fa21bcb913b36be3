"""Requests of one session: what waits, what is out, what is repeated, and how each ends.

At most one guarded request is out at a time, so a repeat can never meet a board that has gone on to
newer ids; only the parts of an upload, which begins anew when one is lost, go out several at once.
A request that starts something is never repeated after a stop or disarm was sent.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from drivers.framing import encode
from drivers.messages import (
    LARGEST_REQUEST_ID,
    Ack,
    Arm,
    Busy,
    Clear,
    Disarm,
    Fire,
    Guarded,
    Hello,
    Hex32,
    Hold,
    No,
    Poll,
    Request,
    Seen,
    Stop,
    Test,
    Unknown,
    Yes,
)
from drivers.reports import Ending, Reply

UNANSWERED_BYTES = 128
"""Bytes that may be out without an answer: what a stop may have to wait behind on the wire."""

UPLOADS_OUT = 6
"""Parts of an upload out at once, within what a board remembers."""

REPEAT_MS = 150.0
FIRE_LIVES_MS = 600.0
"""A scare that comes later than this scares nobody: give up and say so."""
POLL_LIVES_MS = 1000.0
OTHERS_LIVE_MS = 4000.0
OVERTAKEN_LIVES_MS = 300.0
_NEVER_MS = 1e12

STARTS = (Arm, Fire, Test, Hold, Clear)
"""What a stop or disarm overtakes."""


class Urgency(IntEnum):
    """In which order waiting requests go out."""

    AT_ONCE = 0  # stop and disarm: past everything, even past what is out
    COMMAND = 1  # what an operator asked for
    UPKEEP = 2  # acknowledgements, meters
    UPLOAD = 3  # parts of setup and sequences


@dataclass(slots=True)
class Waiting:
    """A request that has not gone out."""

    ref: object
    kind: type[Request]
    fields: tuple[object, ...]
    urgency: Urgency


@dataclass(slots=True)
class Out:
    """A request that went out and has no answer yet."""

    ref: object
    request: Request
    fields: tuple[object, ...]
    data: bytes
    urgency: Urgency
    first_ms: float
    last_ms: float
    repeats: bool = True
    tries: int = 1


@dataclass(frozen=True, slots=True)
class Taken:
    """An answer, with the request it belongs to."""

    out: Out
    reply: Reply


def _prop_of(kind: type[Request], fields: tuple[object, ...]) -> object:
    return fields[0] if kind in (Arm, Fire, Test) and fields else None


class Requests:
    """The requests of one board. Ids count up over sessions."""

    def __init__(self, first_id: int = 1) -> None:
        self._next_id = first_id
        self._waiting: list[Waiting] = []
        self._out: dict[int, Out] = {}

    @property
    def idle(self) -> bool:
        """Whether nothing is out."""
        return not self._out

    @property
    def any_waiting(self) -> bool:
        """Whether something wants to go out."""
        return bool(self._waiting)

    def add(
        self, ref: object, kind: type[Request], fields: tuple[object, ...], urgency: Urgency
    ) -> list[Reply]:
        """Queue a request. Gives the ends of those that it overtakes."""
        ended: list[Reply] = []
        if kind is Stop or kind is Disarm:
            ended = self._overtake(None if kind is Stop or not fields[0] else fields[0])
        if kind is Clear:
            # A stop that is still being repeated would come after the clear and undo it.
            self._waiting = [w for w in self._waiting if w.kind is not Stop]
            self._out = {r: o for r, o in self._out.items() if not isinstance(o.request, Stop)}
        at = len(self._waiting)
        while at and self._waiting[at - 1].urgency > urgency:
            at -= 1
        self._waiting.insert(at, Waiting(ref, kind, fields, urgency))
        return ended

    def holds(self, kind: type[Request], fields: tuple[object, ...]) -> bool:
        """Whether the same request waits or is out already."""
        if any(w.kind is kind and w.fields == fields for w in self._waiting):
            return True
        return any(type(o.request) is kind and o.fields == fields for o in self._out.values())

    def next(self, now_ms: float, address: int, session: int, boot: int, *, guarded: bool) -> bytes:
        """The bytes of the next request that may go out now, or of a repeat; empty for none.

        With `guarded` false only what needs no session goes out.
        """
        for out in self._out.values():
            if out.repeats and now_ms >= out.last_ms + REPEAT_MS:
                out.last_ms = now_ms
                out.tries += 1
                return out.data
        for at, waiting in enumerate(self._waiting):
            needs_session = issubclass(waiting.kind, Guarded)
            if needs_session and not guarded:
                continue
            if not self._fits(waiting, needs_session):
                return b""
            del self._waiting[at]
            return self._send(waiting, now_ms, address, session, boot, needs_session)
        return b""

    def answered(self, answer: Yes | No | Busy | Unknown, now_ms: float) -> Taken | None:
        """The request that this answer ends; None for one that is not out, or must ask again."""
        if isinstance(answer, Busy):
            if answer.req in self._out:
                # Soon, but not at once: the board said that it has no time.
                self._out[answer.req].last_ms = now_ms - REPEAT_MS + 30.0
            return None
        out = self._out.pop(answer.req, None)
        if out is None:
            return None
        if isinstance(answer, Yes):
            return Taken(out, Reply(out.ref, Ending.DONE, values=answer.values))
        if isinstance(answer, No):
            return Taken(out, Reply(out.ref, Ending.REFUSED, answer.reason))
        return Taken(out, Reply(out.ref, Ending.UNSUPPORTED))

    def expired(self, now_ms: float) -> list[Out]:
        """Requests that are given up now, because they are too old or may not be repeated."""
        gone = [r for r, out in self._out.items() if now_ms >= out.first_ms + _lives_ms(out)]
        return [self._out.pop(req) for req in gone]

    def drop_all(self) -> list[Reply]:
        """End everything: the session is over. Requests that need none stay queued."""
        ended = [Reply(out.ref, Ending.NO_ANSWER) for out in self._out.values()]
        ended += [
            Reply(w.ref, Ending.CANCELLED) for w in self._waiting if w.urgency != Urgency.AT_ONCE
        ]
        self._out.clear()
        self._waiting = [w for w in self._waiting if w.urgency == Urgency.AT_ONCE]
        return ended

    def drop_uploads(self) -> None:
        """Forget the parts of an upload: it begins anew or was refused."""
        self._waiting = [w for w in self._waiting if w.urgency != Urgency.UPLOAD]
        self._out = {r: o for r, o in self._out.items() if o.urgency != Urgency.UPLOAD}

    def next_deadline(self) -> float | None:
        """When the next repeat or giving up is due, in ms; None with nothing out."""
        if not self._out:
            return None
        return min(
            min(o.first_ms + _lives_ms(o), o.last_ms + (REPEAT_MS if o.repeats else _NEVER_MS))
            for o in self._out.values()
        )

    def _overtake(self, prop: object) -> list[Reply]:
        ended: list[Reply] = []
        kept: list[Waiting] = []
        for waiting in self._waiting:
            hit = waiting.kind in STARTS and (
                prop is None or _prop_of(waiting.kind, waiting.fields) == prop
            )
            if hit:
                ended.append(Reply(waiting.ref, Ending.CANCELLED))
            else:
                kept.append(waiting)
        self._waiting = kept
        for out in self._out.values():
            if isinstance(out.request, STARTS) and (
                prop is None or getattr(out.request, "prop", None) == prop
            ):
                out.repeats = False
        return ended

    def _fits(self, waiting: Waiting, needs_session: bool) -> bool:
        if not needs_session:
            return True
        guarded = [o for o in self._out.values() if isinstance(o.request, Guarded)]
        if not guarded:
            return True
        if waiting.urgency != Urgency.UPLOAD or len(guarded) >= UPLOADS_OUT:
            return False
        together = all(o.urgency == Urgency.UPLOAD for o in guarded)
        bytes_out = sum(len(o.data) for o in guarded)
        return together and bytes_out + 60 <= UNANSWERED_BYTES

    def _send(
        self,
        waiting: Waiting,
        now_ms: float,
        address: int,
        session: int,
        boot: int,
        needs_session: bool,
    ) -> bytes:
        req = self._next_id
        self._next_id = req % LARGEST_REQUEST_ID + 1
        head: tuple[object, ...] = (req, Hex32(session), Hex32(boot)) if needs_session else (req,)
        request = waiting.kind(*head, *waiting.fields)  # type: ignore[arg-type]
        data = encode(address, request.words())
        # A hello is asked anew instead: its answer is worth what it says now.
        self._out[req] = Out(
            waiting.ref, request, waiting.fields, data, waiting.urgency, now_ms, now_ms,
            repeats=waiting.kind is not Hello,
        )  # fmt: skip
        return data


def _lives_ms(out: Out) -> float:
    if isinstance(out.request, Poll | Hello):
        # A newer reading of the clock is worth more than the old one.
        return POLL_LIVES_MS
    if not out.repeats:
        return OVERTAKEN_LIVES_MS
    return FIRE_LIVES_MS if isinstance(out.request, Fire | Test) else OTHERS_LIVE_MS


def urgency_of(kind: type[Request]) -> Urgency:
    """How urgent a request of this kind is."""
    if kind in (Stop, Disarm):
        return Urgency.AT_ONCE
    return Urgency.UPKEEP if kind in (Ack, Seen) else Urgency.COMMAND
