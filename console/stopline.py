"""The key guard's line to the engine's stop socket: always open, never waiting.

Standard library only. Nothing here blocks: what can't go out now goes out as soon as it can, also
to an engine that has to start first. `note` is what an operator must be told meanwhile.
"""

from __future__ import annotations

import json
import socket
import time
from pathlib import Path
from typing import Any

from console.stopbar import stop_line

NO_WORD_AFTER_S = 0.25
"""An operator who pressed stop and sees nothing for longer than this presses again or runs."""

_SILENT = "ALL-STOP ASKED, ENGINE SILENT: use the hardwired stop, close the air by hand"
_RETRY_S, _RETRY_URGENT_S = 0.25, 0.02
_UNDER_WAY_S = 2.0
"""Until then another press belongs to the same stop; after that the operator is told afresh."""
_LONGEST_ANSWER = 65536


class StopLine:
    """One connection that sends stops and hears what became of them."""

    def __init__(self, path: Path, by: str) -> None:
        self._path = str(path)
        self._by = by
        self._socket: socket.socket | None = None
        self._try_at = 0.0
        self._partial = b""
        self._unsent = b""
        self._unanswered = b""
        self._asked_at: float | None = None
        self._waiting: list[str] = []
        self._outcome = ""
        self._shown = ""

    @property
    def connected(self) -> bool:
        """Whether there is a connection, and so a `fileno` to wait on."""
        return self._socket is not None

    def fileno(self) -> int:
        """The descriptor on which answers come; only while connected."""
        assert self._socket is not None
        return self._socket.fileno()

    def press(self, source: str) -> None:
        """Send a stop now, or as soon as there is an engine."""
        now = time.monotonic()
        if self._asked_at is None or self._outcome or now - self._asked_at > _UNDER_WAY_S:
            self._asked_at, self._outcome, self._shown = now, "", ""
        self._unsent = self._unanswered = stop_line(source, self._by)
        self._send()

    def tend(self, now: float) -> None:
        """Connect or send what could not be before."""
        if self._socket is None and now >= self._try_at:
            self._connect(now)
        if self._unsent and self._socket is not None:
            self._send()

    def next_at(self, now: float) -> float:
        """When `tend` or `note` is due again, on the monotonic clock, in seconds."""
        if self._unsent or (self._asked_at is not None and self._text(now) != self._shown):
            return now + _RETRY_URGENT_S
        times = [now + 60.0]
        if self._socket is None:
            times.append(self._try_at)
        if self._asked_at is not None and now - self._asked_at < NO_WORD_AFTER_S:
            times.append(self._asked_at + NO_WORD_AFTER_S)
        return min(times)

    def hear(self) -> None:
        """Read what the engine answers; called when the connection is readable."""
        assert self._socket is not None
        try:
            data = self._socket.recv(_LONGEST_ANSWER)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop()
            return
        *lines, self._partial = (self._partial + data).split(b"\n")
        self._partial = self._partial[:_LONGEST_ANSWER]
        for line in lines:
            try:
                answer = json.loads(line)
            except ValueError:
                continue
            if isinstance(answer, dict):
                self._take(answer)

    def note(self, now: float) -> str | None:
        """What to tell the operator and has not been told yet; plain text of one line."""
        text = self._text(now)
        return text if text and text != self._shown else None

    def note_shown(self, text: str) -> None:
        """Say that `text` is on the terminal now."""
        self._shown = text

    def _take(self, answer: dict[str, Any]) -> None:
        if "stopping" in answer:
            self._unanswered = b""
            self._waiting = [_plain(name) for name in answer.get("controllers") or []]
        elif answer.get("progress") == "confirmed":
            name = _plain(answer.get("controller"))
            self._waiting = [n for n in self._waiting if n != name]
        elif answer.get("done"):
            self._finish(answer)

    def _finish(self, answer: dict[str, Any]) -> None:
        """Settle what the operator hears last; a stop that went well needs no words of ours."""
        if self._waiting or answer.get("confirmed") != answer.get("of"):
            names = ", ".join(self._waiting) or "some controllers"
            self._outcome = f"ALL-STOP NOT CONFIRMED by {names}: close the air by hand"
        elif self._shown:
            self._outcome = f"all-stop confirmed by all {answer.get('of')} controllers"
        else:
            self._asked_at = None

    def _text(self, now: float) -> str:
        if self._asked_at is None:
            return ""
        if self._outcome or now - self._asked_at < NO_WORD_AFTER_S:
            return self._outcome
        if self._unanswered:
            return _SILENT
        return f"all-stop sent, not yet confirmed by {', '.join(self._waiting)}"

    def _send(self) -> None:
        """Try to get the unsent line out, with one fresh connection if the old one is dead."""
        for _ in range(2):
            if self._socket is None and not self._connect(time.monotonic()):
                return
            assert self._socket is not None
            try:
                self._unsent = self._unsent[self._socket.send(self._unsent) :]
            except BlockingIOError:
                return
            except OSError:
                self._drop()
            else:
                return

    def _connect(self, now: float) -> bool:
        self._try_at = now + (_RETRY_URGENT_S if self._unsent else _RETRY_S)
        fresh = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        fresh.setblocking(False)
        try:
            fresh.connect(self._path)
        except OSError:
            fresh.close()
            return False
        self._socket, self._partial = fresh, b""
        return True

    def _drop(self) -> None:
        """Forget a dead connection; a stop that was not answered on it goes out again."""
        if self._socket is not None:
            self._socket.close()
        self._socket = None
        self._unsent = self._unanswered


def _plain(name: object) -> str:
    """A name from the engine, without what could act on a terminal."""
    return "".join(c if c.isprintable() else "?" for c in str(name))[:40]
