"""The ATmega328P's binary under simavr, with every edge stamped in instruction cycles."""

from __future__ import annotations

import os
import random
import select
import socket
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from drivers.firmware import build
from drivers.framing import encode
from drivers.messages import Arm, Clear, Disarm, Fire, Message, Poll, SetSequence, SetSteps
from drivers.words import InputKind, SequenceKind
from tests.boards import BoardProcess, Console, Wire, running
from tests.conformance.stage import EVERY, Item, Stored, given_input, output, prepare, prop
from tests.tools import built

MHZ = 16
"""Cycles of a microsecond."""
ALL = tuple(range(1, 9))
SETUP: tuple[Item, ...] = (
    prop(rest=50), *(output(n) for n in ALL), given_input(1), given_input(2, InputKind.ACTOR),
)  # fmt: skip
EVERYTHING = Stored(1, 30000, (*(f"0:{n}+" for n in ALL), "29000:1-"))


@dataclass(frozen=True, slots=True)
class Edge:
    """Something that happened at a cycle of the part's clock."""

    cycle: int
    what: str
    value: int


@dataclass
class Traced:
    """A running part: its console, its bench socket, and every edge so far."""

    process: BoardProcess
    console: Console
    bench: socket.socket
    edges: list[Edge] = field(default_factory=list)
    _rest: bytes = b""
    _answers: list[str] = field(default_factory=list)

    @property
    def deepest(self) -> int:
        """Bytes of the deepest stack since it is traced."""
        return max((e.value for e in self.edges if e.what == "stack"), default=0)

    def do(self, text: str) -> None:
        """One bench command."""
        self.bench.sendall(text.encode() + b"\n")
        end = time.monotonic() + 5
        while not self._answers:
            assert time.monotonic() < end, text
            self.look(0.1)
        assert self._answers.pop(0) == "ok", text

    def look(self, seconds: float) -> None:
        """Takes what the bench says."""
        if not select.select([self.bench], [], [], seconds)[0]:
            return
        *lines, self._rest = (self._rest + self.bench.recv(65536)).split(b"\n")
        for line in lines:
            words = line.decode().split()
            if words[0] == "trace":
                self.edges.append(Edge(int(words[2]), words[3], int(words[4], 16)))
            elif words[0] != "pins":
                self._answers.append(line.decode())

    def wait(
        self, what: str, given: Callable[[int], object], since: int, seconds: float = 5
    ) -> Edge:
        """The first edge of this kind from a mark on."""
        end = time.monotonic() + seconds
        while True:
            for edge in self.edges[since:]:
                if edge.what == what and given(edge.value):
                    return edge
            assert time.monotonic() < end, f"no {what} among {self.edges[since:][:20]}"
            self.look(0.05)
            self.console.wire.look(0)

    def settle(self, seconds: float) -> None:
        """Lets real time pass, keeping the session alive."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.look(min(left, 0.02))
            self.console.beat()


@contextmanager
def traced(*, heartbeat: int = 1500, elf: Path | None = None) -> Iterator[Traced]:
    """A fresh part with one prop of eight outputs, uploaded and disarmed."""
    elf = elf or built(build.avr_firmware)
    command = [os.fspath(built(build.simavr_board)), "--elf", os.fspath(elf)]
    with (
        tempfile.TemporaryDirectory(prefix="sx-", dir="/tmp") as folder,
        running(BoardProcess(command, Path(folder))) as process,
    ):
        console = Console(Wire(process.port))
        console.open(0x5E21AA07)
        prepare(console, SETUP, EVERYTHING, heartbeat=heartbeat)
        bench = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        bench.connect(os.fspath(process.bench_path))
        part = Traced(process, console, bench)
        part.do("trace 1")
        try:
            yield part
        finally:
            bench.close()
            console.wire.close()


def _frame(message: Message) -> bytes:
    return encode(1, message.words())


SITUATIONS = ("cycle", "mid-frame", "upload", "eeprom")


def stop_cycles(part: Traced, situation: str, rng: random.Random) -> int:
    """Cycles from the stop byte's last bit to the last of eight outputs off."""
    console = part.console
    console.yes(Arm, 1, EVERY)
    mark = len(part.edges)
    console.yes(Fire, 1)
    part.wait("outputs", lambda v: v == 0xFF, mark)
    if situation != "eeprom":  # the record's head takes 44 ms to be written
        part.settle(0.08)
    before = b""
    if situation == "mid-frame":
        before = _frame(console.make(Poll, 4))[: rng.randrange(1, 30)]
    elif situation == "upload":
        words = tuple(f"{n}:1+" for n in range(6))
        before = _frame(console.make(SetSequence, 2, 2, SequenceKind.CYCLE, 9999, 40, 0))
        before += _frame(console.make(SetSteps, 2, 0, words))[: rng.randrange(4, 70)]
    else:
        time.sleep(rng.random() * 0.02)
    mark = len(part.edges)
    console.wire.send(before + b"\x18")
    stop = part.wait("stop-byte", lambda _: True, mark)
    off = part.wait("outputs", lambda v: v == 0, mark)
    part.settle(0.05)
    latched = console.hello().stop
    console.yes(Clear, latched)
    console.ask(Disarm(console.next_id(), 0))
    part.settle(0.12)
    return off.cycle - stop.cycle
