"""The engine's socket: requests in, answers and views out, one JSON object a line.

A client that watches gets a snapshot and then what changed, at most ten times a second, and less
often where so much changes that it would keep the engine from other things. What changes while it
is slow to read is sent once, as it is then: there is never a queue of views.
"""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from console.engine.events import Asked, ClientCame, Event
from console.engine.peers import accept, listen

LARGEST_LINE = 64 * 1024
PATCH_MS = 100.0
SLOWEST_PATCH_MS = 250.0
"""What an operator still sees as at once."""
_SHARE = 25.0
"""One part in so many of the engine's time may go into patches, down to the slowest pace."""
_READ = 65536
_UNSENT_LIMIT = 4 * 1024 * 1024
_KEYS_AT_ONCE = 4
"""Entities encoded between two looks at the stop sources."""


@dataclass(slots=True)
class Client:
    """One connection."""

    link: socket.socket
    number: int
    line: bytearray = field(default_factory=bytearray)
    unsent: bytearray = field(default_factory=bytearray)
    greeted: bool = False
    watching: bool = False
    dirty: set[str] = field(default_factory=set)
    fresh: bool = False
    """Whether a whole snapshot is due."""
    skipping: bool = False
    """Whether the rest of a line that was too long is being thrown away."""


class ViewServer:
    """Serves consoles and shells."""

    def __init__(
        self,
        path: Path,
        encode: Callable[[str], str | None],
        keys: Callable[[], list[str]],
        stats: Callable[[], Mapping[str, object]],
    ) -> None:
        """`encode` gives an entity as JSON text, None for one that is gone; `keys` lists all."""
        self.path = path
        self.listener = listen(path)
        self.revision = 0
        self._encode = encode
        self._keys = keys
        self._stats = stats
        self._clients: dict[int, Client] = {}
        self._by_number: dict[int, Client] = {}
        self._next = 1
        self._sent: dict[str, str] = {}
        """Every entity as it was encoded last."""
        self._queue: dict[str, None] = {}
        self._batch: dict[str, None] = {}
        """What the next patch is made of; what changes meanwhile is for the one after it."""
        self._patched_ms = 0.0
        self._pace_ms = PATCH_MS
        self._spent_s = 0.0

    # --- connections --------------------------------------------------------------------------

    def accept(self) -> socket.socket | None:
        """Take the next connection."""
        link = accept(self.listener)
        if link is not None:
            client = Client(link, self._next)
            self._next += 1
            self._clients[link.fileno()] = self._by_number[client.number] = client
        return link

    def number_of(self, fd: int) -> int:
        """The number of the client at this descriptor."""
        return self._clients[fd].number

    def drop(self, fd: int) -> int:
        """Close a connection; its client's number."""
        client = self._clients.pop(fd)
        del self._by_number[client.number]
        client.link.close()
        return client.number

    def close(self) -> None:
        """Close everything and take the socket away."""
        for fd in list(self._clients):
            self.drop(fd)
        self.listener.close()
        with contextlib.suppress(OSError):
            self.path.unlink()

    # --- requests -----------------------------------------------------------------------------

    def read(self, fd: int) -> list[Event] | None:
        """What a client wants; None when it is gone."""
        client = self._clients[fd]
        try:
            data = client.link.recv(_READ)
        except BlockingIOError:
            return []
        except OSError:
            return None
        if not data:
            return None
        events: list[Event] = []
        *whole, rest = data.split(b"\n")
        for piece in whole:
            client.line += piece
            too_long = client.skipping or len(client.line) > LARGEST_LINE
            text, client.skipping = bytes(client.line), False
            client.line.clear()
            if too_long:
                self._complain(client, f"a line is longer than {LARGEST_LINE} bytes")
            elif text.strip():
                events.extend(self._line(client, text))
        client.line += rest
        if len(client.line) > LARGEST_LINE:
            client.line.clear()
            client.skipping = True
        return events

    def _line(self, client: Client, text: bytes) -> list[Event]:
        try:
            body = json.loads(text)
        except (ValueError, RecursionError):
            body = None
        if not isinstance(body, dict):
            self._complain(client, "a line is no JSON object")
            return []
        if "hello" in body:
            hello = body["hello"] if isinstance(body["hello"], dict) else {}
            client.greeted = True
            kind = hello.get("kind")
            return [
                ClientCame(
                    client.number,
                    kind if kind in ("console", "shell") else "shell",
                    str(hello.get("name", ""))[:60],
                )
            ]
        request, action, args = body.get("id"), body.get("do"), body.get("args", {})
        if type(request) is not int or not isinstance(action, str) or not isinstance(args, dict):
            self._complain(client, "a request needs `id`, `do` and `args`")
            return []
        if not client.greeted:
            self._complain(client, "say hello first", request)
        elif action == "watch":
            client.watching = client.fresh = True
            self.answer(client.number, {"id": request, "ok": True, "result": {}})
        elif action == "snapshot":
            client.fresh = True
            self.answer(client.number, {"id": request, "ok": True, "result": {}})
        elif action == "stats":
            self.answer(client.number, {"id": request, "ok": True, "result": self._stats()})
        else:
            return [Asked(client.number, request, action, args)]
        return []

    def _complain(self, client: Client, reason: str, request: int | None = None) -> None:
        refusal = {
            "check": "request",
            "reason": reason,
            "remedy": "Speak the engine's protocol; the program that sent this is at fault.",
            "may_override": False,
        }
        self.answer(client.number, {"id": request, "ok": False, "refused": [refusal]})

    # --- answers and views --------------------------------------------------------------------

    def answer(self, number: int, body: Mapping[str, object]) -> None:
        """Send an object to a client, if it is still there."""
        client = self._by_number.get(number)
        if client is not None:
            client.unsent += json.dumps(body).encode() + b"\n"
            self.flush(client.link.fileno())

    def changed(self, keys: set[str]) -> None:
        """These entities are to be shown anew."""
        self._queue.update(dict.fromkeys(keys))

    def wants(self, now_ms: float) -> float | None:
        """When `work` has something to do, in ms; None for not before something changes."""
        if self._batch or any(c.fresh for c in self._clients.values()):
            return now_ms
        if self._queue:
            return max(now_ms, self._patched_ms + self._pace_ms)
        if any(c.dirty and not c.unsent for c in self._clients.values()):
            return self._patched_ms + self._pace_ms
        return None

    def work(self, now_ms: float) -> bool:
        """Encode some of what changed and send what is whole; True if more is to be done now."""
        watched = any(c.watching or c.fresh for c in self._clients.values())
        if not watched:
            self._queue.clear()
            self._batch.clear()
            self._sent.clear()
            return False
        if not self._sent and not self._batch:
            self._queue = dict.fromkeys(self._keys())
        fresh = any(c.fresh for c in self._clients.values())
        if not fresh and not self._batch and now_ms - self._patched_ms < self._pace_ms:
            return False
        if not self._batch:
            self._batch, self._queue = self._queue, {}
            self._spent_s = 0.0
        began = time.thread_time()
        for key in list(islice(self._batch, _KEYS_AT_ONCE)):
            del self._batch[key]
            self._encode_one(key)
        self._spent_s += time.thread_time() - began
        if self._batch:
            return True
        self._patched_ms = now_ms
        self._pace_ms = min(max(PATCH_MS, self._spent_s * 1000 * _SHARE), SLOWEST_PATCH_MS)
        self.revision += 1
        for client in list(self._clients.values()):
            self._show(client)
        return False

    def _encode_one(self, key: str) -> None:
        text = self._encode(key)
        if text is None:
            if self._sent.pop(key, None) is None:
                return
        elif self._sent.get(key) == text:
            return
        else:
            self._sent[key] = text
        for client in self._clients.values():
            if client.watching:
                client.dirty.add(key)

    def _show(self, client: Client) -> None:
        if client.unsent:
            return
        if client.fresh:
            client.fresh = False
            client.dirty.clear()
            body = ",".join(f"{json.dumps(k)}:{text}" for k, text in self._sent.items())
            line = f'{{"rev":{self.revision},"snapshot":{{{body}}}}}\n'
        elif client.dirty and client.watching:
            keys, client.dirty = client.dirty, set()
            there = [k for k in keys if k in self._sent]
            body = ",".join(f"{json.dumps(k)}:{self._sent[k]}" for k in there)
            gone = json.dumps([k for k in keys if k not in self._sent])
            line = f'{{"rev":{self.revision},"set":{{{body}}},"drop":{gone}}}\n'
        else:
            return
        client.unsent += line.encode()
        self.flush(client.link.fileno())

    def flush(self, fd: int) -> bool:
        """Send what is unsent; True while something is left."""
        client = self._clients.get(fd)
        if client is None:
            return False
        try:
            while client.unsent:
                del client.unsent[: client.link.send(client.unsent)]
        except BlockingIOError:
            if len(client.unsent) > _UNSENT_LIMIT:
                # Answers pile up for somebody who does not read: that is no client any more.
                client.unsent.clear()
                with contextlib.suppress(OSError):
                    client.link.shutdown(socket.SHUT_RDWR)
        except OSError:
            client.unsent.clear()
        return bool(client.unsent)

    def unsent(self) -> list[int]:
        """Descriptors to which something is still to be sent."""
        return [fd for fd, client in self._clients.items() if client.unsent]
