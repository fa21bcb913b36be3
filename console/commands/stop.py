"""`sexton stop`: every controller of this user's engines, at once, without a question.

Standard library only, and little of it: it has to be quicker than whoever runs to the air valve.
All engines get the stop before any answer is read.
"""

from __future__ import annotations

import argparse
import errno
import fcntl
import json
import select
import socket
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from console.places import EngineFolder, engine_folders, slug_of, user_name
from console.stopbar import stop_line

EXIT_NOT_CONFIRMED = 1
EXIT_NO_ENGINE = 3

_PATIENCE_S = 2.5
"""Longer than an engine takes to give a controller up (1.5 s)."""
_RETRY_S = 0.02


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton stop`."""
    parser = subparsers.add_parser(
        "stop",
        help="all-stop, at once, without asking",
        description=(
            "Stop every running engine of this user, or that of one site: every motion, sound\n"
            "and fog output goes off, everywhere, latched. Never asks. This is a software\n"
            "function, no emergency stop; it never replaces a hardwired one. Valves and cylinders\n"
            "take another 50 to 500 ms after a controller has confirmed."
        ),
        epilog=(
            "exit codes:\n"
            "  0  every controller confirmed\n"
            "  1  a controller or an engine did not: close its air by hand\n"
            "  3  no engine is running\n\n"
            "examples:\n"
            "  sexton stop\n"
            "  sexton stop my-site.yaml --json"
        ),
    )
    parser.add_argument(
        "site", nargs="?", metavar="SITE", help="a site file, or the name of its engine's folder"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.set_defaults(run=run)


@dataclass
class _Engine:
    """One engine that is asked to stop, and what it answered so far."""

    folder: EngineFolder
    unsent: bytes
    site: str = ""
    pid: int = 0
    link: socket.socket | None = None
    partial: bytes = b""
    head: dict[str, Any] = field(default_factory=dict)
    controllers: list[dict[str, Any]] = field(default_factory=list)
    tail: dict[str, Any] = field(default_factory=dict)
    broken: bool = False

    @property
    def settled(self) -> bool:
        """Whether nothing more is to come from it."""
        return self.broken or bool(self.tail)

    @property
    def confirmed(self) -> bool:
        """Whether every one of its controllers says that it is stopped."""
        return bool(self.tail) and self.tail.get("confirmed") == self.tail.get("of")


def run(arguments: argparse.Namespace) -> int:
    """Stop, and say what was confirmed; the exit codes are those of the help."""
    line = stop_line("shell", user_name())
    engines = [
        _Engine(folder, line)
        for folder in engine_folders()
        if arguments.site is None or _is_asked(folder, arguments.site)
    ]
    for engine in engines:
        _send(engine)
    engines = [e for e in engines if e.link is not None or _who_holds(e)]
    for engine in engines:
        _who_holds(engine)
    _hear(engines, quiet=arguments.json)
    if arguments.json:
        print(json.dumps(_report(engines)))
    elif not engines:
        print("sexton: no engine is running" + (f" for {arguments.site}" if arguments.site else ""))
    if not engines:
        return EXIT_NO_ENGINE
    return 0 if all(e.confirmed for e in engines) else EXIT_NOT_CONFIRMED


def _is_asked(folder: EngineFolder, site: str) -> bool:
    path = Path(site)
    slugs = (site, slug_of(path), slug_of(path, demo=True))
    return folder.folder.name in slugs


def _send(engine: _Engine) -> None:
    """Try to get the stop out; what is left stays in `unsent`."""
    try:
        if engine.link is None:
            link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            link.setblocking(False)
            try:
                link.connect(str(engine.folder.stop_socket))
            except OSError:
                link.close()
                raise
            engine.link = link
        engine.unsent = engine.unsent[engine.link.send(engine.unsent) :]
    except OSError as error:
        if error.errno not in (errno.EAGAIN, errno.ECONNREFUSED, errno.ENOENT):
            engine.broken = engine.link is not None


def _who_holds(engine: _Engine) -> bool:
    """Whether an engine is alive there, which then is known by site and process."""
    try:
        with engine.folder.lock.open("rb") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
                return False
            except OSError:
                holder = json.loads(lock.read(4096) or b"{}")
        engine.site, engine.pid = str(holder.get("site", "")), int(holder.get("pid", 0))
    except (OSError, ValueError, AttributeError):
        return engine.link is not None
    return True


def _hear(engines: list[_Engine], *, quiet: bool) -> None:
    """Print answers as they come, until all is settled or patience ends."""
    ends = time.monotonic() + _PATIENCE_S
    while (waiting := [e for e in engines if not e.settled]) and time.monotonic() < ends:
        links = [e.link for e in waiting if e.link is not None]
        unsent = [e for e in waiting if e.unsent]
        left = ends - time.monotonic()
        readable, _, _ = select.select(links, [], [], min(_RETRY_S, left) if unsent else left)
        for engine in unsent:
            _send(engine)
        for engine in waiting:
            if engine.link in readable:
                _read(engine, quiet=quiet)
    for engine in engines:
        if not quiet:
            _say_end(engine)


def _read(engine: _Engine, *, quiet: bool) -> None:
    assert engine.link is not None
    try:
        data = engine.link.recv(65536)
    except OSError:
        data = b""
    engine.broken = not data
    *lines, engine.partial = (engine.partial + data).split(b"\n")
    for line in lines:
        try:
            answer = json.loads(line)
        except ValueError:
            continue
        if "stopping" in answer:
            engine.head = answer
            if not quiet:
                _say(f"{_name(engine)}: all-stop on {answer.get('lines')} lines")
        elif "controller" in answer:
            engine.controllers.append(answer)
            if not quiet:
                _say_controller(answer)
        elif answer.get("done"):
            engine.tail = answer


def _say_controller(answer: dict[str, Any]) -> None:
    name, where = answer.get("controller"), answer.get("where") or ""
    if answer.get("progress") == "confirmed":
        _say(f"  {name}: confirmed after {answer.get('ms') or 0:.0f} ms  ({where})")
    else:
        _say(f"  {name}: NOT CONFIRMED, close its air by hand  ({where})")


def _say_end(engine: _Engine) -> None:
    if engine.tail:
        _say(f"  {engine.tail.get('confirmed')} of {engine.tail.get('of')} controllers confirmed")
    else:
        _say(f"{_name(engine)}: ENGINE GIVES NO ANSWER, close the air by hand")
        if engine.pid:
            _say(
                f"  ended by `kill -9 {engine.pid}`, its controllers disarm after a lost heartbeat"
            )


def _name(engine: _Engine) -> str:
    return engine.site or engine.folder.folder.name


def _report(engines: list[_Engine]) -> dict[str, Any]:
    return {
        "confirmed": bool(engines) and all(e.confirmed for e in engines),
        "engines": [
            {
                "engine": e.folder.folder.name,
                "site": e.site,
                "pid": e.pid,
                "answered": bool(e.head),
                "stop": e.head.get("stopping"),
                "sent_ms": e.head.get("sent_ms"),
                "lines": e.head.get("lines"),
                "controllers": e.controllers,
                "confirmed": e.tail.get("confirmed", 0),
                "of": e.tail.get("of", len(e.head.get("controllers", ()))),
            }
            for e in engines
        ],
    }


def _say(text: str) -> None:
    """Print one line at once, without what could act on the terminal."""
    print("".join(c if c.isprintable() else "?" for c in text), flush=True)
