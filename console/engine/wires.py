"""The open ports of all lines, as the loop uses them: raw, non-blocking, with little in flight."""

from __future__ import annotations

import os
import selectors
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from console.engine import events as ev
from console.engine.helper import Helper, Opened
from drivers.framing import STOP_BYTE
from drivers.port import OpenedPort, flush_output

_READ = 4096
_STOP = bytes([STOP_BYTE])
_LET_THEM_GO_S = 0.0001
UNSENT_LIMIT = 512
"""Bytes that may wait for a port that takes none; what comes on top is old before it is sent."""


@dataclass(slots=True)
class Wire:
    """One open port."""

    line: str
    port: OpenedPort
    unsent: bytearray = field(default_factory=bytearray)


class Wires:
    """Reads and writes every open port; `feed` hears of what comes and of what is lost."""

    def __init__(
        self,
        selector: selectors.BaseSelector,
        helper: Helper,
        feed: Callable[[ev.Event], None],
        later: Callable[[ev.Event], None],
    ) -> None:
        """`later` takes what is noticed in the middle of something else."""
        self._selector = selector
        self._helper = helper
        self._feed = feed
        self._later = later
        self._wires: dict[str, Wire] = {}

    def stop(self) -> float:
        """The stop byte on every open line, past everything; how long that took in ms."""
        began = time.perf_counter()
        for wire in self._wires.values():
            wire.unsent.clear()
            flush_output(wire.port.fd)
            try:
                os.write(wire.port.fd, _STOP)
            except BlockingIOError:
                wire.unsent += _STOP
            except OSError:
                # Its hangup is an event of its own.
                continue
        took_ms = (time.perf_counter() - began) * 1000
        # The kernel's workers carry the bytes on; what follows here is long and less urgent.
        time.sleep(_LET_THEM_GO_S)
        return took_ms

    def send(self, line: str, data: bytes) -> None:
        """Write to a line's port, or as soon as it takes something."""
        wire = self._wires.get(line)
        if wire is not None and len(wire.unsent) <= UNSENT_LIMIT:
            wire.unsent += data
            self._flush(wire)

    def opened(self, opened: Opened) -> None:
        """The helper has opened a line's port."""
        wire = Wire(opened.line, opened.port)
        self._wires[opened.line] = wire
        self._selector.register(
            opened.port.fd, selectors.EVENT_READ, lambda mask: self._ready(wire, mask)
        )
        self._feed(ev.PortOpened(opened.line, opened.port.device))

    def lose(self, line: str, message: str) -> None:
        """A port is gone, or to be given up."""
        wire = self._wires.pop(line, None)
        if wire is None:
            return
        self._selector.unregister(wire.port.fd)
        self._helper.close(wire.port)
        self._feed(ev.PortClosed(line, message))

    def close(self) -> None:
        """Give every port back."""
        for wire in self._wires.values():
            self._helper.close(wire.port)
        self._wires.clear()

    def _ready(self, wire: Wire, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self._flush(wire)
        if not mask & selectors.EVENT_READ:
            return
        try:
            data = os.read(wire.port.fd, _READ)
        except BlockingIOError:
            return
        except OSError as error:
            self.lose(wire.line, error.strerror or str(error))
            return
        if not data:
            self.lose(wire.line, "the other end hung up")
            return
        self._feed(ev.BytesCame(wire.line, data))

    def _flush(self, wire: Wire) -> None:
        try:
            while wire.unsent:
                del wire.unsent[: os.write(wire.port.fd, wire.unsent)]
        except BlockingIOError:
            pass
        except OSError as error:
            wire.unsent.clear()
            self._later(ev.PortClosed(wire.line, error.strerror or str(error)))
            return
        expect(self._selector, wire.port.fd, bool(wire.unsent))


def expect(selector: selectors.BaseSelector, fd: int, writing: bool) -> None:
    """Have the selector look for room to write only while something waits."""
    key = selector.get_map().get(fd)
    if key is None:
        return
    mask = selectors.EVENT_READ | (selectors.EVENT_WRITE if writing else 0)
    if key.events != mask:
        selector.modify(fd, mask, key.data)
