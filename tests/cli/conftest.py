"""A person at a terminal who types `sexton` commands."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

_SEQUENCE = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]|\x1b[()][A-Z0-9]|\x1b[=>78]|\x1b\][^\x07]*\x07")


class Seat:
    """One `sexton` command on a terminal of its own; `seen` is the text that it has shown."""

    def __init__(self, *words: str, rows: int = 40, columns: int = 120) -> None:
        self.outer, self.slave = pty.openpty()
        size = struct.pack("HHHH", rows, columns, 0, 0)
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, size)
        self.modes = termios.tcgetattr(self.slave)
        self.raw = b""
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "console.cli", *words],
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )

    @property
    def seen(self) -> str:
        """All text so far, without what moves and colours it."""
        return _SEQUENCE.sub("", self.raw.decode(errors="replace"))

    def look(self, for_s: float = 0.02) -> None:
        """Take what the terminal shows."""
        while select.select([self.outer], [], [], for_s)[0]:
            try:
                self.raw += os.read(self.outer, 65536)
            except OSError:
                return

    def until(self, condition: Callable[[], object] | str, within_s: float = 40.0) -> None:
        """Look until a text has been shown or a condition holds."""
        ends = time.monotonic() + within_s
        while not (condition in self.seen if isinstance(condition, str) else condition()):
            assert time.monotonic() < ends, f"waited in vain; seen: {self.seen[-3000:]}"
            self.look()

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.outer, keys)

    def leave(self) -> int:
        """Close the console as a person does; the exit code."""
        self.type(b"q")
        self.look(0.5)
        self.type(b"\r")
        return self.code()

    def code(self) -> int:
        """Wait for the command's end."""
        self.until(lambda: self.process.poll() is not None)
        self.look()
        return self.process.returncode

    @property
    def modes_are_back(self) -> bool:
        """Whether the terminal is as it was."""
        return bool(termios.tcgetattr(self.slave) == self.modes)

    def close(self) -> None:
        """End the command if it still runs."""
        if self.process.poll() is None:
            self.process.terminate()
            with contextlib.suppress(AssertionError):
                self.until(lambda: self.process.poll() is not None, 15)
            self.process.kill()
            self.process.wait()
        os.close(self.outer)
        os.close(self.slave)


@pytest.fixture
def sit() -> Iterator[Callable[..., Seat]]:
    """Starts commands on terminals; all are ended at last, newest first."""
    seats: list[Seat] = []

    def start(*words: str, rows: int = 40, columns: int = 120) -> Seat:
        seats.append(Seat(*words, rows=rows, columns=columns))
        return seats[-1]

    yield start
    for seat in reversed(seats):
        seat.close()


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder whose paths are short enough for sockets."""
    with tempfile.TemporaryDirectory(prefix="sx-", dir="/tmp") as made:
        yield Path(made)
