"""One serial line and the sessions on it. No input or output.

On a shared line one board has its turn at a time and answers before the next is spoken to; a board
that is silent costs its turn, no more. On a line of its own the board may speak when it likes.
"""

from __future__ import annotations

from collections import deque

from drivers.framing import STOP_BYTE, Damaged, Frame, Framer
from drivers.messages import BadMessage, Boot, parse_from_board
from drivers.reports import SessionReport
from drivers.session import Session

TURN_MS = 150.0
"""How long a board on a shared line may take to answer."""
KEPT_FRAMES = 40
"""Frames kept to be looked at after a fault."""


class Line:
    """The boards of one line, by the order in which they were given."""

    def __init__(self, sessions: list[Session]) -> None:
        self.sessions = sessions
        self.damaged_frames = 0
        self.recent: deque[tuple[float, str]] = deque(maxlen=KEPT_FRAMES)
        """The last traffic as (ms, text): `>` sent, `<` received."""
        self._framer = Framer()
        self._shared = any(s.shared for s in sessions)
        self._turn = 0
        self._busy_until_ms = 0.0
        self._speaking: Session | None = None
        self._stop_byte_due = False

    def opened(self, now_ms: float) -> None:
        """The port is open: greet everybody at once."""
        self._framer = Framer()
        self._busy_until_ms = 0.0
        for session in self.sessions:
            session.restart("the port was opened")
            session.last_heard_ms = None
            session.tick(now_ms)

    def closed(self, message: str) -> None:
        """The port is gone: so are the sessions."""
        for session in self.sessions:
            session.restart(message)

    def receive(self, data: bytes, now_ms: float) -> None:
        """Take bytes from the port."""
        for item in self._framer.feed(data):
            if isinstance(item, Damaged):
                self.damaged_frames += 1
                self.recent.append((now_ms, f"< {item.kind}: {item.data!r}"))
            elif isinstance(item, Frame):
                self._frame(item, now_ms)

    def tick(self, now_ms: float) -> None:
        """Let time pass for every session."""
        for session in self.sessions:
            session.tick(now_ms)

    def stop(self, stop: int) -> None:
        """Queue the framed all-stop to every board; the stop byte went out before."""
        for session in self.sessions:
            session.stop(stop)

    def send_stop_byte(self) -> None:
        """Queue the stop byte itself, past everything that waits."""
        self._stop_byte_due = True

    def take_bytes(self, now_ms: float) -> bytes:
        """What to write to the port now; call again until it is empty."""
        if self._stop_byte_due:
            self._stop_byte_due = False
            self._busy_until_ms = 0.0
            return bytes([STOP_BYTE])
        if not self._shared:
            data = self.sessions[0].next_bytes(now_ms)
            self._note_sent(data, now_ms)
            return data
        if now_ms < self._busy_until_ms:
            return b""
        for step in range(len(self.sessions)):
            at = (self._turn + step) % len(self.sessions)
            data = self.sessions[at].next_bytes(now_ms)
            if data:
                if data[0] != STOP_BYTE:
                    self._turn = (at + 1) % len(self.sessions)
                    self._speaking = self.sessions[at]
                    self._busy_until_ms = now_ms + TURN_MS
                self._note_sent(data, now_ms)
                return data
        return b""

    def take_reports(self) -> list[tuple[Session, SessionReport]]:
        """What happened since the last call, with the session it happened in."""
        return [(s, report) for s in self.sessions for report in s.take_reports()]

    def next_deadline(self) -> float:
        """When `tick` or `take_bytes` has something to do, in ms."""
        at = min(s.next_deadline() for s in self.sessions)
        if not self._shared:
            return at
        if any(s.any_waiting for s in self.sessions):
            return self._busy_until_ms
        return max(at, self._busy_until_ms)

    def _frame(self, frame: Frame, now_ms: float) -> None:
        self.recent.append((now_ms, f"< {frame.address:02X} {' '.join(frame.words)}"))
        session = self._session_of(frame.address)
        if session is None:
            return
        try:
            message = parse_from_board(frame.words)
        except BadMessage:
            self.damaged_frames += 1
            return
        session.heard(message, now_ms)
        if frame.words[0] in ("YES", "NO", "BUSY", "UNKNOWN") and session is self._speaking:
            self._busy_until_ms = now_ms
            self._speaking = None
        elif isinstance(message, Boot):
            session.tick(now_ms)

    def _session_of(self, address: int) -> Session | None:
        if not self._shared:
            # A board alone on its line answers with its own address, whatever the site file says.
            return self.sessions[0]
        return next((s for s in self.sessions if s.address == address), None)

    def _note_sent(self, data: bytes, now_ms: float) -> None:
        if data:
            self.recent.append((now_ms, "> " + data.decode("ascii", "replace").strip()))
