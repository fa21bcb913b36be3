"""The loop that gives simulated controllers real time, real terminals and a bench."""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from drivers.simulated.bench import Bench, Command
from drivers.simulated.line import Line
from drivers.simulated.outputs import NEVER
from drivers.simulated.stores import Writer


class World(Protocol):
    """What stands around the boards and works their pins."""

    @property
    def next_due_us(self) -> int:
        """When it needs its next step at the latest, in microseconds."""

    def step(self, now_us: int) -> None:
        """Looks at the outputs, and moves the inputs."""


def clock_us() -> int:
    """The monotonic clock that all boards of a process share, in microseconds."""
    return time.monotonic_ns() // 1000


class Waker:
    """A pipe that ends the loop's wait from a thread or a signal."""

    def __init__(self) -> None:
        self.out, self._in = os.pipe()
        os.set_blocking(self.out, False)
        os.set_blocking(self._in, False)
        self.descriptor = self._in

    def wake(self) -> None:
        """Ends the wait now."""
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._in, b"\0")

    def drain(self) -> None:
        """Takes what was written."""
        with contextlib.suppress(BlockingIOError):
            os.read(self.out, 4096)


class Host:
    """Serves lines, and a bench and a world if there are any, until told to end.

    It ends on SIGTERM, on SIGINT and at the end of its standard input.
    """

    def __init__(self, lines: Sequence[Line], writer: Writer, waker: Waker) -> None:
        self._lines = lines
        self._writer = writer
        self._waker = waker
        self._selector = selectors.SelectSelector()
        self._bench: Bench | None = None
        self._world: World | None = None
        self._ended = False
        self._selector.register(waker.out, selectors.EVENT_READ, waker.drain)
        for line in lines:
            self._selector.register(line, selectors.EVENT_READ, None)

    def attach_bench(self, path: Path, more: Mapping[str, Command] | None = None) -> None:
        """Opens the bench's socket, with further commands beside its own."""
        boards = {board.board_id: board for line in self._lines for board in line.boards}
        self._bench = Bench(path, boards, self._selector, clock_us, more)

    def attach_world(self, world: World) -> None:
        """Puts the boards into a world."""
        self._world = world

    def serve(self, ready: str) -> None:
        """Prints the line `ready` once everything is up, and serves."""
        with self._ends_on_signals():
            self._selector.register(sys.stdin, selectors.EVENT_READ, self._hear_stdin)
            self._step_all(frozenset())
            print(ready, flush=True)
            try:
                while not self._ended:
                    self._turn()
            finally:
                self._close()

    def _turn(self) -> None:
        due_us = min(line.next_due_us for line in self._lines)
        if self._world is not None:
            due_us = min(due_us, self._world.next_due_us)
        timeout = None if due_us >= NEVER else max(0, due_us - clock_us()) / 1e6
        ready: set[object] = set()
        for key, _ in self._selector.select(timeout):
            if key.data is None:
                ready.add(key.fileobj)
            else:
                key.data()
        self._step_all(ready)

    def _step_all(self, ready: frozenset[object] | set[object]) -> None:
        durable = self._writer.take_news()
        now_us = clock_us()
        for line in self._lines:
            if line in ready or durable or line.next_due_us <= now_us:
                line.step(now_us)
        if self._world is not None:
            self._world.step(now_us)
        if self._bench is not None:
            self._bench.show()

    def _hear_stdin(self) -> None:
        if not os.read(sys.stdin.fileno(), 4096):
            self._ended = True

    @contextlib.contextmanager
    def _ends_on_signals(self) -> Iterator[None]:
        def end(_number: int, _frame: object) -> None:
            self._ended = True
            self._waker.wake()

        before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGINT)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _close(self) -> None:
        if self._bench is not None:
            self._bench.close()
        for line in self._lines:
            line.close()
        self._writer.close()
