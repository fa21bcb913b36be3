"""How consoles and the shell speak to an engine: views as they change, and requests.

A console keeps an `EngineClient`, which finds the engine again when it was started anew. The shell
makes one `call`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from console.views.codec import BadEntity, from_json
from console.views.models import Entity, Refusal

ANSWER_WITHIN_S = 5.0
_RETRY_S = (0.05, 0.1, 0.25, 0.5)
_LARGEST_LINE = 8 * 1024 * 1024

_NOT_THERE = Refusal(
    "engine",
    "the engine is not there",
    "Wait a moment: it is started again. If not, start it with `sexton run SITE.yaml`.",
)


@dataclass(frozen=True, slots=True)
class Reply:
    """What an engine said to a request. `ok` means taken on; that it is done shows in the views.

    `refused` holds the checks that failed, by prop where several were asked, else under "".
    """

    ok: bool
    result: Mapping[str, Any] = field(default_factory=dict)
    done: tuple[str, ...] = ()
    refused: Mapping[str, tuple[Refusal, ...]] = field(default_factory=dict)


class Listener(Protocol):
    """Who hears of the views."""

    def snapshot(self, entities: Mapping[str, Entity]) -> None:
        """Everything anew."""

    def patch(self, changed: Mapping[str, Entity], dropped: Iterable[str]) -> None:
        """Some entities anew, some gone."""

    def lost(self, why: str) -> None:
        """The engine is not heard any more."""


class EngineClient:
    """A console's connection to one engine, made again whenever it is lost."""

    def __init__(
        self, path: Path, listener: Listener, *, name: str = "", kind: str = "console"
    ) -> None:
        """`path` is the engine's socket. Nothing happens before `run`."""
        self._path = path
        self._listener = listener
        self._hello = {"hello": {"kind": kind, "name": name, "pid": os.getpid()}}
        self._writer: asyncio.StreamWriter | None = None
        self._waiting: dict[int, asyncio.Future[Reply]] = {}
        self._next = 1

    @property
    def connected(self) -> bool:
        """Whether there is an engine to ask."""
        return self._writer is not None

    async def run(self) -> None:
        """Follow the engine for ever; cancel it to end."""
        failures = 0
        while True:
            try:
                await self._follow()
                failures = 0
            except (OSError, ValueError, asyncio.IncompleteReadError) as error:
                self._listener.lost(_why(error))
            finally:
                self._hang_up()
            await asyncio.sleep(_RETRY_S[min(failures, len(_RETRY_S) - 1)])
            failures += 1

    async def request(self, action: str, **args: object) -> Reply:
        """Ask for one action; always answers, with a refusal where the engine is not there."""
        if self._writer is None:
            return Reply(False, refused={"": (_NOT_THERE,)})
        number, self._next = self._next, self._next + 1
        waiting: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._waiting[number] = waiting
        self._writer.write(_line({"id": number, "do": action, "args": args}))
        try:
            return await asyncio.wait_for(waiting, ANSWER_WITHIN_S)
        except TimeoutError:
            return Reply(False, refused={"": (_silent(),)})
        finally:
            self._waiting.pop(number, None)

    async def _follow(self) -> None:
        reader, writer = await asyncio.open_unix_connection(self._path, limit=_LARGEST_LINE)
        self._writer = writer
        writer.write(_line(self._hello))
        writer.write(_line({"id": 0, "do": "watch"}))
        while True:
            line = await reader.readline()
            if not line:
                raise ConnectionResetError("the engine ended")
            self._take(json.loads(line))

    def _take(self, body: Mapping[str, Any]) -> None:
        if "snapshot" in body:
            self._listener.snapshot(_entities(body["snapshot"]))
        elif "set" in body:
            self._listener.patch(_entities(body["set"]), [str(k) for k in body.get("drop", ())])
        elif "ok" in body:
            waiting = self._waiting.get(body.get("id", -1))
            if waiting is not None and not waiting.done():
                waiting.set_result(reply_of(body))

    def _hang_up(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_result(Reply(False, refused={"": (_NOT_THERE,)}))


def call(path: Path, action: str, args: Mapping[str, object] | None = None) -> Reply:
    """Ask the engine at this socket for one action, from a shell. Raises OSError if it is gone."""
    with _connected(path) as link:
        link.sendall(_line({"id": 1, "do": action, "args": dict(args or {})}))
        for body in _bodies(link):
            if body.get("id") == 1 and "ok" in body:
                return reply_of(body)
    raise ConnectionResetError("the engine ended before it answered")


def snapshot(path: Path) -> dict[str, Entity]:
    """Every entity of the engine at this socket, now. Raises OSError if it is gone."""
    return _entities(raw_snapshot(path))


def raw_snapshot(path: Path) -> dict[str, Any]:
    """The same as plain JSON objects."""
    with _connected(path) as link:
        link.sendall(_line({"id": 1, "do": "snapshot"}))
        for body in _bodies(link):
            if "snapshot" in body:
                found: dict[str, Any] = body["snapshot"]
                return found
    raise ConnectionResetError("the engine ended before it answered")


def reply_of(body: Mapping[str, Any]) -> Reply:
    """An engine's answer as an object."""
    result = body.get("result")
    result = result if isinstance(result, Mapping) else {}
    refused: dict[str, tuple[Refusal, ...]] = {}
    if whole := refusals_of(body.get("refused")):
        refused[""] = whole
    by_prop = result.get("refused")
    if isinstance(by_prop, Mapping):
        refused.update({str(name): refusals_of(found) for name, found in by_prop.items()})
    done = result.get("done")
    names = tuple(str(n) for n in done) if isinstance(done, list) else ()
    return Reply(body.get("ok") is True, result, names, refused)


def refusals_of(found: object) -> tuple[Refusal, ...]:
    """The refusals in an answer; none in what is no list of them."""
    if not isinstance(found, list):
        return ()
    return tuple(
        Refusal(
            str(each.get("check", "")),
            str(each.get("reason", "")),
            str(each.get("remedy", "")),
            each.get("may_override") is True,
        )
        for each in found
        if isinstance(each, Mapping)
    )


def _entities(bodies: Mapping[str, Any]) -> dict[str, Entity]:
    found: dict[str, Entity] = {}
    for key, body in bodies.items():
        # An engine of another version may show what this console does not know.
        with contextlib.suppress(BadEntity):
            found[key] = from_json(key, body)
    return found


def _connected(path: Path) -> socket.socket:
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    link.settimeout(ANSWER_WITHIN_S)
    try:
        link.connect(os.fspath(path))
        link.sendall(_line({"hello": {"kind": "shell", "name": "", "pid": os.getpid()}}))
    except OSError:
        link.close()
        raise
    return link


def _bodies(link: socket.socket) -> Iterable[dict[str, Any]]:
    with link.makefile("rb") as lines:
        for line in lines:
            body = json.loads(line)
            if isinstance(body, dict):
                yield body


def _line(body: Mapping[str, object]) -> bytes:
    return json.dumps(body).encode() + b"\n"


def _silent() -> Refusal:
    return Refusal(
        "engine",
        f"the engine has not answered within {ANSWER_WITHIN_S:g} s",
        "Look at what it shows before asking again: it may have been done.",
    )


def _why(error: BaseException) -> str:
    if isinstance(error, FileNotFoundError | ConnectionRefusedError):
        return "no engine is running"
    return str(error) or type(error).__name__
