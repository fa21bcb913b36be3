"""A desk to sit at: a real terminal with the real key guard on it, seen from the outside."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent


class Desk:
    """The outer end of the guard's terminal; `seen` is all that it showed."""

    def __init__(self, folder: Path, *command: str, before: tuple[str, ...] = ()) -> None:
        """`before` are the words of a program that starts the guard, whose words then follow."""
        self.folder = folder
        self.socket = folder / "stop.sock"
        self.log = folder / "stops.log"
        self.outer, slave = pty.openpty()
        self.resize(24, 80)
        self.modes = termios.tcgetattr(slave)
        self.seen = b""
        self.guard = subprocess.Popen(
            [
                *before,
                *(sys.executable, "-P", "-m", "console.keyguard"),
                *("--stop-socket", str(self.socket), "--"),
                *(command or (sys.executable, str(HERE / "inner.py"))),
            ],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        self.slave = slave
        self.engine: subprocess.Popen[bytes] | None = None

    def start_engine(self, mode: str) -> None:
        """Put the stand-in behind the stop socket."""
        self.engine = subprocess.Popen(
            [sys.executable, str(HERE / "stand_in.py"), str(self.socket), str(self.log), mode]
        )
        self.wait(self.socket.exists)

    def end_engine(self) -> None:
        """Take the stand-in away as a crash would: its socket's file stays."""
        assert self.engine is not None
        self.engine.kill()
        self.engine.wait()

    def type(self, data: bytes) -> float:
        """Press keys; returns when, on the monotonic clock."""
        at = time.monotonic()
        os.write(self.outer, data)
        return at

    def resize(self, rows: int, columns: int) -> None:
        """Change the terminal's size as a window does."""
        fcntl.ioctl(self.outer, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def look(self, for_s: float = 0.02) -> None:
        """Take what the terminal shows."""
        while select.select([self.outer], [], [], for_s)[0]:
            try:
                self.seen += os.read(self.outer, 65536)
            except OSError:
                return

    def until(self, text: bytes, within_s: float = 20.0) -> None:
        """Look until `text` has been shown."""
        ends = time.monotonic() + within_s
        while text not in self.seen:
            assert time.monotonic() < ends, f"no {text!r} in {self.seen[-2000:]!r}"
            self.look()

    def wait(self, condition: Any, within_s: float = 20.0) -> None:
        """Wait, without looking at the terminal, until `condition()`."""
        ends = time.monotonic() + within_s
        while not condition():
            assert time.monotonic() < ends, "waited in vain"
            time.sleep(0.005)

    def stops(self) -> list[dict[str, Any]]:
        """The stops that reached the socket, with `at`, `source` and `by`."""
        if not self.log.exists():
            return []
        logged = [json.loads(line) for line in self.log.read_text().splitlines()]
        return [
            {"at": entry["at"], **json.loads(entry["line"][1:])}
            for entry in logged
            if entry["line"].startswith("\x18")
        ]

    def until_stops(self, count: int) -> list[dict[str, Any]]:
        """Wait for `count` stops."""
        self.wait(lambda: len(self.stops()) >= count)
        return self.stops()

    def console_pid(self) -> int:
        """The newest console's process."""
        self.until(b" end")
        return int(self.seen.rpartition(b"pid ")[2].split()[0])

    def code(self) -> int:
        """Wait for the guard's end, taking what it shows; its exit code."""
        ends = time.monotonic() + 20
        while self.guard.poll() is None:
            assert time.monotonic() < ends, f"no end; {self.seen[-2000:]!r}"
            self.look()
        self.look()
        return self.guard.returncode

    def close(self) -> None:
        """End all that still runs."""
        for process in (self.guard, self.engine):
            if process is not None and process.poll() is None:
                with contextlib.suppress(ProcessLookupError):
                    process.send_signal(signal.SIGCONT)
                    process.kill()
                process.wait()
        os.close(self.outer)
        os.close(self.slave)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A guard over the plain inner program, its engine not yet there."""
    it = Desk(tmp_path)
    yield it
    it.close()
