"""Boards of any kind as processes, a tester's hands at their pins, and a small console.

`BoardProcess` starts the host-built firmware or simulated controllers behind a pseudo-terminal.
`Bench` works the pins. `Wire` is the serial line, opened by pyserial and read over the raw
descriptor; `Console` is one board's session on it.
"""

from __future__ import annotations

import errno
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TypeVar

import serial

from drivers.firmware import build
from drivers.framing import STOP_BYTE, Frame, Framer, StopByte, encode
from drivers.messages import (
    ANSWERS,
    BadMessage,
    BoardReport,
    Guarded,
    Hello,
    Hex32,
    Identity,
    Message,
    No,
    Open,
    Poll,
    PropReport,
    Yes,
    parse_from_board,
)
from tests.tools import built

ROOT = Path(__file__).resolve().parent.parent
M = TypeVar("M", bound=Message)


def simulated_command() -> list[str]:
    """How to start simulated controllers."""
    return [sys.executable, "-m", "drivers.simulated"]


@cache
def firmware_command() -> list[str]:
    """How to start the firmware built for this host, where a compiler is at hand."""
    return [os.fspath(built(build.host_board, sanitize=True))]


@cache
def avr_command() -> list[str]:
    """How to start the ATmega328P's own binary, where its tools are at hand."""
    elf = built(build.avr_firmware)
    return [os.fspath(built(build.simavr_board)), "--elf", os.fspath(elf)]


KINDS: dict[str, Callable[[], list[str]]] = {
    "simulated": simulated_command,
    "firmware": firmware_command,
    "avr": avr_command,
}
"""Every kind of board that can be started, and its command."""


def until(given: Callable[[], object], seconds: float, what: str) -> None:
    """Waits for something that happens elsewhere; fails with `what` if it does not."""
    end = time.monotonic() + seconds
    while not given():
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        time.sleep(0.002)


class BoardProcess:
    """One process with one or several boards on one line. Its memory outlives it."""

    def __init__(
        self,
        command: Sequence[str],
        folder: Path,
        boards: Sequence[tuple[str, int]] = (("bench-1", 1),),
        *,
        shared: bool = False,
    ) -> None:
        self.port = folder / "line.port"
        self.bench_path = folder / "bench.sock"
        self.folder = folder
        self.boards = tuple(boards)
        one = not shared and len(self.boards) == 1
        named = (
            [
                "--id",
                boards[0][0],
                "--address",
                str(boards[0][1]),
                "--nv",
                self.memory(boards[0][0]),
            ]
            if one
            else [w for name, at in boards for w in ("--board", f"{name}:{at}:{self.memory(name)}")]
        )
        self._command = [
            *command, "--port", os.fspath(self.port), "--bench", os.fspath(self.bench_path),
            *named, *(["--shared"] if shared else []),
        ]  # fmt: skip
        self._process: subprocess.Popen[str] | None = None
        self._bench: Bench | None = None

    def memory(self, board: str) -> Path:
        """The file of a board's non-volatile memory."""
        return self.folder / f"{board}.nv"

    @property
    def bench(self) -> Bench:
        """The hands at the pins of the running process."""
        assert self._bench is not None
        return self._bench

    @property
    def pid(self) -> int:
        """The process id while it runs."""
        assert self._process is not None
        return self._process.pid

    def launch(self) -> None:
        """Starts the process, without waiting."""
        self._process = subprocess.Popen(
            self._command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def start(self) -> None:
        """Starts the process unless it was launched, and waits until it is up."""
        if self._process is None:
            self.launch()
        assert self._process is not None
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], 20)
        line = self._process.stdout.readline() if ready else ""
        assert line == f"ready {self.port}\n", f"the board said {line!r}"
        self._bench = Bench(self.bench_path, self.boards[0][0])

    def end(self, how: int = signal.SIGTERM) -> int:
        """Ends the process with this signal; its exit code."""
        if self._bench is not None:
            self._bench.close()
            self._bench = None
        process, self._process = self._process, None
        if process is None:
            return 0
        assert process.stdin is not None
        assert process.stdout is not None
        process.send_signal(how)
        try:
            return process.wait(10)
        finally:
            process.kill()
            process.wait()
            process.stdin.close()
            process.stdout.close()

    def hang_up(self) -> int:
        """Closes the process's standard input, upon which it ends; its exit code."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.close()
        return self._process.wait(10)


@contextmanager
def running(process: BoardProcess) -> Iterator[BoardProcess]:
    """The process, started, and ended at last."""
    try:
        process.start()
        yield process
    finally:
        process.end()


@dataclass(frozen=True, slots=True)
class PinsSeen:
    """A line of the bench: what a board's pins were from this moment on."""

    at_us: int
    outputs: int
    lamp: bool
    powered: bool


class Bench:
    """A client of a bench socket."""

    def __init__(self, path: Path, board: str) -> None:
        self.board = board
        self.seen: dict[str, list[PinsSeen]] = {}
        self._waiting = b""
        self._replies: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.connect(os.fspath(path))

    def close(self) -> None:
        """Hangs up."""
        self._socket.close()

    def command(self, text: str, seconds: float = 5.0) -> None:
        """Sends one command; an answer other than ok is a failure."""
        self._socket.sendall(text.encode("ascii") + b"\n")
        end = time.monotonic() + seconds
        while not self._replies:
            assert time.monotonic() < end, f"the bench did not answer {text!r}"
            self.look(0.2)
        reply = self._replies.pop(0)
        assert reply == "ok", f"{text!r}: {reply}"

    def set(self, number: int, level: int, board: str | None = None) -> None:
        """Puts an input at an electrical level; 0 is the stop input."""
        self.command(f"set {board or self.board} {number} {level}")

    def supply(self, millivolts: int) -> None:
        """Sets the coil supply."""
        self.command(f"supply {self.board} {millivolts}")

    def pressure(self, millivolts: int) -> None:
        """Sets the level of the pressure sensor."""
        self.command(f"pressure {self.board} {millivolts}")

    def reset(self, board: str | None = None) -> None:
        """Pulls the reset pin."""
        self.command(f"reset {board or self.board}")

    def cut(self, board: str | None = None) -> None:
        """Takes the power away."""
        self.command(f"cut {board or self.board}")

    def power(self, board: str | None = None) -> None:
        """Gives the power back."""
        self.command(f"power {board or self.board}")

    def pins(self, board: str | None = None) -> PinsSeen:
        """The pins as they are now."""
        self.command(f"get {board or self.board}")
        return self.seen[board or self.board][-1]

    def mark(self, board: str | None = None) -> int:
        """How many changes there were so far, to look only at later ones."""
        self.command(f"get {board or self.board}")
        return len(self.seen[board or self.board])

    def since(self, mark: int, board: str | None = None) -> list[PinsSeen]:
        """The changes since a mark."""
        self.command(f"get {board or self.board}")
        return self.seen[board or self.board][mark:-1]

    def wait(
        self,
        given: Callable[[PinsSeen], object],
        seconds: float = 2.0,
        board: str | None = None,
        since: int | None = None,
    ) -> PinsSeen:
        """The first pins that match: now, or, with a mark, of the changes since it."""
        name = board or self.board
        if since is None:
            self.command(f"get {name}")
            since = len(self.seen[name]) - 1
        mark: int = since
        end = time.monotonic() + seconds
        while True:
            found = next((p for p in self.seen.get(name, [])[mark:] if given(p)), None)
            if found is not None:
                return found
            assert time.monotonic() < end, f"pins of {name}: {self.seen.get(name, [])[mark:]}"
            self.look(0.1)

    def outputs(self, mask: int, seconds: float = 2.0, board: str | None = None) -> PinsSeen:
        """Waits until exactly these outputs are on."""
        return self.wait(lambda p: p.outputs == mask, seconds, board)

    def look(self, seconds: float) -> None:
        """Takes what the bench says within this time; returns early once it said something."""
        ready, _, _ = select.select([self._socket], [], [], seconds)
        if not ready:
            return
        data = self._socket.recv(65536)
        assert data, "the bench hung up"
        *lines, self._waiting = (self._waiting + data).split(b"\n")
        for line in lines:
            words = line.decode("ascii").split()
            if words[:1] == ["pins"]:
                pins = PinsSeen(int(words[2]), int(words[3], 16), words[4] == "1", words[5] == "ON")
                self.seen.setdefault(words[1], []).append(pins)
            else:
                self._replies.append(line.decode("ascii"))


@dataclass(frozen=True, slots=True)
class Heard:
    """One message from a board, with the monotonic time at which its frame was whole."""

    at: float
    address: int
    message: Message


def _opened(port: Path) -> serial.Serial:
    """The port, for this process alone. Terminals' numbers are used again, and whoever still looks
    for a dead board's terminal may have this one open for a moment."""
    end = time.monotonic() + 3.0
    while True:
        try:
            return serial.Serial(os.fspath(port), 115200, timeout=0, exclusive=True)
        except serial.SerialException as error:
            if error.errno != errno.EAGAIN or time.monotonic() > end:
                raise
            time.sleep(0.05)


class Wire:
    """A serial line, as the engine uses it: opened by pyserial, read raw."""

    def __init__(self, port: Path) -> None:
        self._serial = _opened(port)
        self._descriptor: int = self._serial.fileno()
        os.set_blocking(self._descriptor, False)
        self._framer = Framer()
        self.heard: list[Heard] = []
        self.stray: list[object] = []

    def close(self) -> None:
        """Closes the port."""
        self._serial.close()

    def send(self, data: bytes) -> None:
        """Sends bytes as they are."""
        while data:
            select.select([], [self._descriptor], [], 5)
            data = data[os.write(self._descriptor, data) :]

    def stop_byte(self) -> None:
        """Sends the all-stop byte."""
        self.send(bytes([STOP_BYTE]))

    def look(self, seconds: float) -> None:
        """Takes what comes within this time; returns early once something came."""
        ready, _, _ = select.select([self._descriptor], [], [], max(0.0, seconds))
        if not ready:
            return
        for item in self._framer.feed(os.read(self._descriptor, 65536)):
            if isinstance(item, Frame):
                try:
                    message = parse_from_board(item.words)
                except BadMessage:
                    self.stray.append(item)
                else:
                    self.heard.append(Heard(time.monotonic(), item.address, message))
            else:
                self.stray.append(item)
        assert StopByte() not in self.stray, "a board sent the stop byte"

    def quiet(self, seconds: float) -> list[Heard]:
        """Waits this long; what was heard meanwhile."""
        mark, end = len(self.heard), time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.look(left)
        return self.heard[mark:]


class Console:
    """One board on a wire: its hello, its session, and requests within it."""

    def __init__(self, wire: Wire, address: int = 1, *, polled: bool = False) -> None:
        self.wire = wire
        self.address = address
        self.polled = polled
        self.session = Hex32(0)
        self.boot = Hex32(0)
        self._next = 0
        self._polled_at = 0.0

    def next_id(self) -> int:
        """A request id never used before."""
        self._next = self._next % 65535 + 1
        return self._next

    def tell(self, message: Message) -> None:
        """Sends a request without waiting."""
        self.wire.send(encode(self.address, message.words()))

    def ask(self, message: Message, seconds: float = 3.0) -> Message:
        """Sends a request and returns its answer."""
        mark = len(self.wire.heard)
        self.tell(message)
        request_id = message.req  # type: ignore[attr-defined]
        end = time.monotonic() + seconds
        while True:
            for heard in self.wire.heard[mark:]:
                is_answer = isinstance(heard.message, ANSWERS)
                if is_answer and heard.message.req == request_id:  # type: ignore[attr-defined]
                    return heard.message
            assert time.monotonic() < end, self._missing(f"answer to {message.words()}", mark)
            self.wire.look(0.1)

    def heard(self, since: int = 0) -> list[Message]:
        """What this board said, from a mark on."""
        return [h.message for h in self.wire.heard[since:] if h.address == self.address]

    def _missing(self, what: str, mark: int) -> str:
        said = "\n".join(" ".join(m.words()) for m in self.heard(mark)[-20:])
        return f"no such {what}; the last words were:\n{said}"

    def hello(self) -> Identity:
        """The board's identity; its boot id is the one that further requests name."""
        answer = self.ask(Hello(self.next_id()))
        assert isinstance(answer, Yes)
        identity = Identity.of(answer)
        self.boot = identity.boot
        return identity

    def open(self, session: int, stop: int = 0) -> Identity:
        """Says hello and opens a session."""
        identity = self.hello()
        self.session = Hex32(session)
        answer = self.ask(Open(self.next_id(), self.boot, self.session, Hex32(stop)))
        assert isinstance(answer, Yes), answer
        return identity

    def make(self, cls: type[Guarded], *fields: object) -> Guarded:
        """A request of this session."""
        return cls(self.next_id(), self.session, self.boot, *fields)

    def do(self, cls: type[Guarded], *fields: object) -> Message:
        """Asks, within the session; the answer."""
        return self.ask(self.make(cls, *fields))

    def yes(self, cls: type[Guarded], *fields: object) -> tuple[str, ...]:
        """Asks for what must be granted; the values of the answer."""
        answer = self.do(cls, *fields)
        assert isinstance(answer, Yes), f"{cls.verb} {fields}: {answer}"
        return answer.values

    def no(self, cls: type[Guarded], *fields: object) -> str:
        """Asks for what must be refused; the reason."""
        answer = self.do(cls, *fields)
        assert isinstance(answer, No), f"{cls.verb} {fields}: {answer}"
        return answer.reason

    def poll(self, frames: int = 4) -> None:
        """A heartbeat; on a shared line it also lets the board speak."""
        self._polled_at = time.monotonic()
        self.yes(Poll, frames)

    def beat(self) -> None:
        """A heartbeat if one is due."""
        if time.monotonic() - self._polled_at > (0.03 if self.polled else 0.2):
            self.poll()

    def wait(
        self,
        kind: type[M],
        given: Callable[[M], object] = lambda _: True,
        seconds: float = 3.0,
        since: int | None = None,
        *,
        beat: bool = True,
    ) -> M:
        """The first report that matches, of those since the mark or from now on."""
        mark = len(self.wire.heard) if since is None else since
        end = time.monotonic() + seconds
        while True:
            for message in self.heard(mark):
                if isinstance(message, kind) and given(message):
                    return message
            assert time.monotonic() < end, self._missing(kind.verb, mark)
            if beat:
                self.beat()
            self.wire.look(0.02 if self.polled else 0.05)

    def rest(self, seconds: float) -> list[Message]:
        """Lets time pass with heartbeats; what was heard."""
        mark, end = len(self.wire.heard), time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.beat()
            self.wire.look(min(left, 0.05))
        return self.heard(mark)

    def board_report(self, seconds: float = 3.0) -> BoardReport:
        """The next STATE."""
        return self.wait(BoardReport, seconds=seconds)

    def prop_report(self, prop: int = 1, seconds: float = 3.0) -> PropReport:
        """The next PROP of this prop."""
        return self.wait(PropReport, lambda r: r.prop == prop, seconds)
