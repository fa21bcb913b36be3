"""The stop socket: the first stop byte counts, before anything is parsed."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from console.engine.peers import accept, listen
from drivers.framing import STOP_BYTE

LARGEST_LINE = 4096
_UNSENT_LIMIT = 1 << 16


@dataclass(slots=True)
class _Caller:
    link: socket.socket
    client: int
    line: bytearray
    unsent: bytearray


@dataclass(frozen=True, slots=True)
class Call:
    """What a connection brought: stop bytes in it, or its end."""

    client: int
    stops: bool
    ended: bool = False


class StopServer:
    """Connections that may stop everything. The reactor serves these before any other."""

    def __init__(self, path: Path, first_client: int) -> None:
        """`first_client` is where the numbers of these clients begin; they count down."""
        self.path = path
        self.listener = listen(path)
        self._next = first_client
        self._callers: dict[int, _Caller] = {}
        self._by_client: dict[int, _Caller] = {}

    def accept(self) -> socket.socket | None:
        """Take the next connection."""
        link = accept(self.listener)
        if link is not None:
            caller = _Caller(link, self._next, bytearray(), bytearray())
            self._next -= 1
            self._callers[link.fileno()] = self._by_client[caller.client] = caller
        return link

    def read(self, fd: int) -> Call:
        """What this connection has to say. A stop needs no more than its byte."""
        caller = self._callers[fd]
        try:
            data = caller.link.recv(4096)
        except BlockingIOError:
            return Call(caller.client, stops=False)
        except OSError:
            data = b""
        stops = STOP_BYTE in data
        if data:
            caller.line += data.replace(bytes([STOP_BYTE]), b"")
            if len(caller.line) > LARGEST_LINE and b"\n" not in caller.line:
                caller.line.clear()
        return Call(caller.client, stops, ended=not data)

    def lines(self, client: int) -> list[Mapping[str, object]]:
        """The whole lines that a connection sent, as objects; what is none is left out."""
        caller = self._by_client.get(client)
        if caller is None:
            return []
        *whole, rest = bytes(caller.line).split(b"\n")
        caller.line[:] = rest
        found: list[Mapping[str, object]] = []
        for text in whole:
            with contextlib.suppress(ValueError):
                body = json.loads(text)
                if isinstance(body, dict):
                    found.append(body)
        return found

    def rest(self, client: int) -> Mapping[str, object]:
        """The line after a stop byte as far as it has come, for who and where; empty if not yet."""
        lines = self.lines(client)
        return lines[-1] if lines else {}

    def answer(self, client: int, body: Mapping[str, object]) -> None:
        """Say something to a connection; one that does not listen loses it."""
        caller = self._by_client.get(client)
        if caller is None:
            return
        caller.unsent += json.dumps(body).encode() + b"\n"
        self.flush(client)

    def flush(self, client: int) -> bool:
        """Send what is unsent; True while something is left."""
        caller = self._by_client.get(client)
        if caller is None:
            return False
        try:
            while caller.unsent:
                del caller.unsent[: caller.link.send(caller.unsent)]
        except BlockingIOError:
            if len(caller.unsent) > _UNSENT_LIMIT:
                caller.unsent.clear()
        except OSError:
            caller.unsent.clear()
        return bool(caller.unsent)

    def unsent(self) -> list[int]:
        """Clients to which something is still to be sent."""
        return [c.client for c in self._by_client.values() if c.unsent]

    def drop(self, fd: int) -> None:
        """Close a connection."""
        caller = self._callers.pop(fd)
        del self._by_client[caller.client]
        caller.link.close()

    def close(self) -> None:
        """Close everything and take the socket away."""
        for fd in list(self._callers):
            self.drop(fd)
        self.listener.close()
        with contextlib.suppress(OSError):
            self.path.unlink()
