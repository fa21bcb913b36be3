"""A pseudo-terminal with boards behind it, as a serial port that a program can open."""

from __future__ import annotations

import contextlib
import os
import tty
from collections.abc import Sequence
from pathlib import Path

from drivers.simulated.controller import SimulatedController

_READ = 65536


class Line:
    """One serial line. Boards on a shared line hear each other, as on two wires.

    The line keeps an end open itself, so that it lives on while nobody has the port open; what the
    boards say then is lost once the kernel's buffer is full.
    """

    def __init__(self, link: Path, boards: Sequence[SimulatedController]) -> None:
        self.link = link
        self.boards = boards
        self.silent: set[str] = set()
        """Boards that neither hear nor are heard, as with a wire pulled."""
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self._name = os.ttyname(self._far)
        beside = link.with_name(f".{link.name}.{os.getpid()}")
        with contextlib.suppress(FileNotFoundError):
            beside.unlink()
        beside.symlink_to(self._name)
        beside.replace(link)

    def fileno(self) -> int:
        """The descriptor to wait on."""
        return self._near

    @property
    def next_due_us(self) -> int:
        """When the next step is needed at the latest, in microseconds."""
        due_us = self.boards[0].next_due_us
        for board in self.boards[1:]:
            due_us = min(due_us, board.next_due_us)
        return due_us

    def step(self, now_us: int) -> None:
        """Gives the boards what came in, and sends what they say."""
        heard = self._read()
        for board in self.boards:
            if board.board_id in self.silent:
                board.step(now_us)
                continue
            said = board.step(now_us, heard)
            if not said:
                continue
            self._write(said)
            for other in self.boards:
                if other is not board and other.board_id not in self.silent:
                    other.step(now_us, said)

    def close(self) -> None:
        """Ends the terminal, and the link if it is still this line's."""
        if self.link.is_symlink() and os.readlink(self.link) == self._name:
            self.link.unlink()
        os.close(self._near)
        os.close(self._far)

    def _read(self) -> bytes:
        try:
            return os.read(self._near, _READ)
        except BlockingIOError:
            return b""

    def _write(self, said: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._near, said)
