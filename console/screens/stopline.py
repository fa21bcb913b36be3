"""The console's own way to the engine's stops, for when no key guard stands before it.

A thread keeps one connection open, so that a press needs neither the event loop's turn nor a
connection to be made. What the engine answers shows in the views.
"""

from __future__ import annotations

import contextlib
import queue
import select
import socket
import threading
import time
from pathlib import Path

from console.stopbar import stop_line

_RETRY_S = 0.5
_CONNECT_S = 1.0


class StopLine:
    """Sends stops from a daemon thread; a press that found no engine is tried until it gets there.

    Trying again is right for a stop, and only for a stop: it can do no harm twice.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._presses: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._wake_read, self._wake_write = socket.socketpair()
        self._ended = threading.Event()
        self._reached = threading.Event()
        self._unsent = threading.Event()
        self._pressed_s: float | None = None
        self._thread = threading.Thread(target=self._run, name="stop line", daemon=True)

    @property
    def reached(self) -> bool:
        """Whether a connection is open."""
        return self._reached.is_set()

    @property
    def unsent(self) -> bool:
        """Whether a press has found no engine for longer than one try takes."""
        return self._unsent.is_set()

    @property
    def unanswered_s(self) -> float:
        """For how long the engine has said nothing to a press; 0 where nothing is waited for."""
        pressed = self._pressed_s
        return 0.0 if pressed is None else time.monotonic() - pressed

    def start(self) -> None:
        """Begin to keep a connection."""
        self._thread.start()

    def press(self, source: str, by: str) -> None:
        """Send a stop now. Returns at once."""
        if self._pressed_s is None:
            self._pressed_s = time.monotonic()
        self._presses.put(stop_line(source, by))
        with contextlib.suppress(OSError):
            self._wake_write.send(b"!")

    def close(self) -> None:
        """End the thread and the connection."""
        self._ended.set()
        with contextlib.suppress(OSError):
            self._wake_write.send(b"!")
        if self._thread.is_alive():
            self._thread.join(_CONNECT_S + _RETRY_S)
        self._wake_read.close()
        self._wake_write.close()

    def _run(self) -> None:
        while not self._ended.is_set():
            connection = self._connect()
            if connection is None:
                if not self._presses.empty():
                    self._unsent.set()
                self._sleep(_RETRY_S)
                continue
            self._reached.set()
            try:
                self._serve(connection)
            finally:
                self._reached.clear()
                connection.close()

    def _connect(self) -> socket.socket | None:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        connection.settimeout(_CONNECT_S)
        try:
            connection.connect(str(self._path))
        except OSError:
            connection.close()
            return None
        return connection

    def _serve(self, connection: socket.socket) -> None:
        """Send what was pressed until the far end hangs up."""
        while not self._ended.is_set():
            try:
                while not self._presses.empty():
                    line = self._presses.get()
                    try:
                        connection.sendall(line)
                    except OSError:
                        self._presses.put(line)
                        return
                    self._unsent.clear()
                ready, _, _ = select.select([connection, self._wake_read], [], [])
                if self._wake_read in ready:
                    self._wake_read.recv(64)
                if connection in ready:
                    if not connection.recv(65536):
                        return
                    self._pressed_s = None
            except OSError:
                return

    def _sleep(self, seconds: float) -> None:
        """Wait, but not past a press."""
        ready, _, _ = select.select([self._wake_read], [], [], seconds)
        if ready:
            with contextlib.suppress(OSError):
                self._wake_read.recv(64)
