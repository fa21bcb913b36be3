"""The firmware core on a test rig in virtual time: a clock, a console's end of the line, pins."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from drivers.firmware.library import PinChange, VirtualBoard
from drivers.framing import Frame, Framer, encode
from drivers.messages import (
    ANSWERS,
    Ack,
    CycleRecord,
    EventRecord,
    Guarded,
    Hello,
    Hex32,
    Identity,
    Message,
    Meters,
    No,
    Open,
    Poll,
    PropReport,
    Request,
    Seen,
    Stop,
    Yes,
    parse_from_board,
)

SESSION = Hex32(0x5E21AA07)
M = TypeVar("M", bound=Message)


class Rig:
    """A virtual board and its console. `now_us` is the clock; nothing happens unless it moves."""

    def __init__(self, **options: object) -> None:
        self.board = VirtualBoard("rig-1", 1, **options)  # type: ignore[arg-type]
        self.now_us = 1_000_000
        self.heard: list[Message] = []
        self.times_us: list[int] = []
        self.stray: list[object] = []
        self.acknowledging = False
        self.boot = Hex32(0)
        self._framer = Framer()
        self._next = 0
        self.power()

    def power(self) -> None:
        """Gives it power."""
        self.board.start(self.now_us)
        self.run(0)

    def reset(self) -> None:
        """Pulls the reset pin."""
        self.board.reset(self.now_us)
        self.run(0)

    def send(self, data: bytes) -> None:
        """Bytes on the line, all at this moment."""
        self._take(self.board.step(self.now_us, data))

    def run(self, ms: float) -> None:
        """Lets so many milliseconds pass."""
        until = self.now_us + round(ms * 1000)
        while not self.board.dead:
            at = max(self.now_us, self.board.next_due_us)
            if at > until:
                break
            said = self.board.run(at, until)
            self.now_us = max(at, self.board.now_us)
            self._take(said)
        self.now_us = until

    def run_until(self, given: Callable[[], object], ms: int = 10_000) -> int:
        """Lets time pass until this holds; the milliseconds that took."""
        for passed in range(ms + 1):
            if given():
                return passed
            self.run(1)
        raise AssertionError(f"not within {ms} ms; heard {self.heard[-8:]}")

    def _take(self, data: bytes) -> None:
        if not data:
            return
        for item in self._framer.feed(data):
            if not isinstance(item, Frame):
                self.stray.append(item)
                continue
            message = parse_from_board(item.words)
            self.heard.append(message)
            self.times_us.append(self.now_us)
            if self.acknowledging and isinstance(message, CycleRecord):
                self.tell(Ack, message.life, message.prop, message.number)
            elif self.acknowledging and isinstance(message, EventRecord):
                self.tell(Seen, message.number)

    def next_id(self) -> int:
        """A request id that was not used yet."""
        self._next = self._next % 65535 + 1
        return self._next

    def make(self, cls: type[Request], *fields: object) -> Request:
        """A request with the next id, and session and boot where it needs them."""
        guard = (SESSION, self.boot) if issubclass(cls, Guarded) else ()
        return cls(self.next_id(), *guard, *fields)

    def tell(self, cls: type[Request], *fields: object) -> Request:
        """Sends a request and does not look at the answer."""
        request = self.make(cls, *fields)
        self.send(encode(self.board.address, request.words()))
        return request

    def ask_again(self, request: Request) -> Message:
        """Sends this very request, once more if need be; its answer."""
        mark = len(self.heard)
        self.send(encode(self.board.address, request.words()))
        for _ in range(500):
            for message in self.heard[mark:]:
                if isinstance(message, ANSWERS) and message.req == request.req:  # type: ignore[attr-defined]
                    return message
            self.run(1)
        raise AssertionError(f"no answer to {request}")

    def ask(self, cls: type[Request], *fields: object) -> Message:
        """Sends a request; its answer."""
        return self.ask_again(self.make(cls, *fields))

    def yes(self, cls: type[Request], *fields: object) -> tuple[str, ...]:
        """Sends a request that must be accepted; the words of the answer."""
        answer = self.ask(cls, *fields)
        assert isinstance(answer, Yes), (cls, fields, answer)
        return answer.values

    def no(self, cls: type[Request], *fields: object) -> str:
        """Sends a request that must be refused; the reason."""
        answer = self.ask(cls, *fields)
        assert isinstance(answer, No), (cls, fields, answer)
        return answer.reason.value

    def hello(self) -> Identity:
        """Its identity; later requests name this boot."""
        answer = self.ask(Hello)
        assert isinstance(answer, Yes)
        identity = Identity.of(answer)
        self.boot = identity.boot
        return identity

    def open(self, stop: int = 0) -> Identity:
        """Says hello and opens the session."""
        identity = self.hello()
        self.yes(Open, self.boot, SESSION, stop)
        return identity

    def live(self, ms: int, every: int = 300) -> None:
        """Lets time pass while polling, as the engine does."""
        end = self.now_us + ms * 1000
        while self.now_us < end:
            self.tell(Poll, 4)
            self.run(min(every, (end - self.now_us) / 1000))

    def of(self, cls: type[M], since: int = 0) -> list[M]:
        """Every message of this kind so far."""
        return [m for m in self.heard[since:] if isinstance(m, cls)]

    def prop(self, number: int = 1) -> PropReport:
        """The newest report on a prop."""
        return next(m for m in reversed(self.of(PropReport)) if m.prop == number)

    def strokes(self, first: int = 1) -> list[int]:
        """Lifetime strokes of up to eight outputs."""
        return [int(word) for word in self.yes(Meters, first)]

    def pin(self, number: int, level: int) -> None:
        """Puts an input (0: the stop input) at a level, now."""
        self.board.set_input(number, level)
        self.run(0)

    def trip(self, number: int = 1, ms: int = 60) -> None:
        """Pulls an input low for a while, as a guest would."""
        self.pin(number, 0)
        self.run(ms)
        self.pin(number, 1)
        self.run(ms)

    def changes(self) -> list[PinChange]:
        """Changes at the pins since the last call."""
        return self.board.changes()

    def stop_frame(self, stop: int = 77) -> bytes:
        """A framed all-stop."""
        return encode(self.board.address, Stop(self.next_id(), Hex32(stop)).words())
