"""The far ends of N serial lines in one process, which says when the last one saw the stop byte.

Each line has one board that answers as PROTOCOL.md asks, in the few words that a night of missed
triggers and stops needs, and reports one missed trigger every 100 ms, which the engine writes to
its ledger. It stands in for real boards because only the end of the lines can say when a byte came
there, and 64 boards that also run props would measure themselves.

It speaks with whoever started it in lines: out, the N ports, then `live` each time that all boards
have a session; in, `watch` or `bare`, answered by `watching`, then `seen FIRST LAST` with the
monotonic times at which the first and the last line had the stop byte. After `bare` the byte only
counts: it did not come from the engine, and a board would stay stopped.
"""

from __future__ import annotations

import gc
import os
import select
import sys
import time
import tty
from typing import ClassVar

from drivers.framing import encode
from drivers.messages import PROTOCOL_HASH

EVENT_EVERY_S = 0.1
REPORT_EVERY_S = 0.5
REPEAT_AFTER_S = 0.5
HELD_S = 0.2
"""How long answers wait for the last line's stop byte. Real boards do not wait for one another, so
answering for the first ones must not count as time until the last one has it."""
STOP = 0x18
BOOT = "0000BEEF"
NO_SESSION = "00000000"


class Board:
    """One board alone on its line."""

    live: ClassVar[set[int]] = set()

    def __init__(self, number: int) -> None:
        self.number = number
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        os.set_blocking(self.near, False)
        self.port = os.ttyname(self.far)
        self.began = time.monotonic()
        self.rest = b""
        self.session, self.stop = NO_SESSION, "00000000"
        self.setup, self.checksums = "0000", ["0000"] * 16
        self.event, self.event_at, self.seen = 0, 0.0, True
        self.next_event = self.next_report = time.monotonic() + number * EVENT_EVERY_S / 64
        self.saw_at: float | None = None

    def say(self, *words: str) -> None:
        """Send one frame; what the line does not take is lost, as on a wire."""
        try:
            os.write(self.near, encode(1, words))
        except BlockingIOError:
            return

    def hear(self, data: bytes, *, bare: bool) -> None:
        """Act on what came over the line."""
        if STOP in data:
            if not bare and self.stop == "00000000":
                self.stop = "0BADCAFE"
            data = data.replace(b"\x18", b"")
        *frames, self.rest = (self.rest + data).split(b"\n")
        for frame in frames:
            start = frame.rfind(b"~")
            if start >= 0:
                self.answer(frame[start + 1 :].partition(b"#")[0].decode("ascii").split(" ")[1:])

    def answer(self, words: list[str]) -> None:
        """Answer one request; all but what a stop or a ledger needs is simply done."""
        verb, request = words[0], words[1]
        values: tuple[str, ...] = ()
        if verb == "HELLO":
            values = self.identity()
        elif verb == "OPEN":
            self.session = words[3]
            self.stop = words[4] if words[4] != "00000000" else self.stop
            Board.live.add(self.number)
        elif verb == "STOP":
            self.stop = words[2]
        elif verb == "CLEAR":
            self.stop = "00000000"
        elif verb == "SEEN" and int(words[4]) == self.event:
            self.seen = True
        elif verb == "POLL":
            values = (str(self.ms()),)
        elif verb == "SETUP":
            self.setup = words[4]
        elif verb == "SEQ":
            self.checksums[int(words[4]) - 1] = words[9]
        elif verb == "METERS":
            values = ("0",) * 8
        self.say("YES", request, *values)
        if verb in ("OPEN", "STOP", "CLEAR"):
            self.report()

    def identity(self) -> tuple[str, ...]:
        """What it says of itself: a board of the usual size."""
        sizes = ("8", "16", "16", "16", "256", "200", "16")
        name = f"BENCH-{self.number:03d}"
        head = (BOOT, name, "bench", f"{PROTOCOL_HASH:08X}", *sizes)
        return (*head, self.stop, "0000", self.setup, *self.checksums)

    def ms(self) -> int:
        """Its clock."""
        return int((time.monotonic() - self.began) * 1000)

    def report(self) -> None:
        """Say how the board and its prop are."""
        clock, state = str(self.ms()), "disarmed" if self.stop == "00000000" else "stopped"
        zero = "0000"
        self.say("STATE", BOOT, self.session, clock, self.stop, zero, zero, zero, "24000", "0")
        self.say("PROP", "1", state, zero, zero, "1", "0", "0", "00C0FFEE", "0", "0")

    def on_time(self, now: float) -> None:
        """Send what is due."""
        if self.session == NO_SESSION:
            return
        if now >= self.next_event:
            self.next_event = now + EVENT_EVERY_S
            if self.seen:
                self.event, self.seen = self.event + 1, False
            elif now - self.event_at < REPEAT_AFTER_S:
                return
            self.event_at = now
            fields = ("missed", "1", "disarmed", "0")
            self.say("EVENT", str(self.event), BOOT, str(self.ms()), *fields)
        if now >= self.next_report:
            self.next_report = now + REPORT_EVERY_S
            self.report()


def say(text: str) -> None:
    """One line to whoever started this."""
    os.write(1, text.encode() + b"\n")


def main() -> None:
    """Serve until standard input ends."""
    boards = {board.near: board for board in (Board(n) for n in range(int(sys.argv[1])))}
    say(" ".join(board.port for board in boards.values()))
    poll = select.poll()
    for near in (0, *boards):
        poll.register(near, select.POLLIN)
    gc.freeze()
    gc.disable()
    watching, bare, told_live = False, False, False
    got: list[tuple[Board, bytes]] = []
    hold_until = 0.0
    while True:
        for fd, _ in poll.poll(5):
            data = os.read(fd, 65536)
            if fd == 0:
                if not data:
                    return
                watching, bare = True, b"bare" in data
                hold_until = time.monotonic() + HELD_S
                for board in boards.values():
                    board.saw_at = None
                say("watching")
                continue
            board = boards[fd]
            if watching and board.saw_at is None and STOP in data:
                board.saw_at = time.monotonic()
            got.append((board, data))
        if watching and all(board.saw_at is not None for board in boards.values()):
            times = [board.saw_at for board in boards.values() if board.saw_at is not None]
            say(f"seen {min(times)!r} {max(times)!r}")
            watching = False
        now = time.monotonic()
        if not watching or now >= hold_until:
            for board, data in got:
                board.hear(data, bare=bare)
            got.clear()
        for board in boards.values():
            board.on_time(now)
        if not told_live and len(Board.live) == len(boards):
            told_live = True
            say("live")


if __name__ == "__main__":
    main()
