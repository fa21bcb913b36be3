"""The terminal as its owner sees it: opened for itself, raw, and never waited for.

Standard library only. Output goes through a buffer and a descriptor of our own, because only an
open of one's own can be made non-blocking without doing the same to everybody else's.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import select
import struct
import termios
import time
import tty
from collections.abc import Mapping
from typing import Any, NoReturn

MOST_OUTPUT = 256 * 1024
"""Bytes waiting for the terminal at which whoever writes has to wait."""

_PATIENCE_S = 1.0
_GIVE_WAY = 10
_TAIL = 256
_LEAVE_MODES = (
    b"\x1b\\\x1b[0m\x1b[?1000;1002;1003;1004;1006;1015;1016;2004;2026;2048l\x1b[?7h\x1b[?25h"
)
"""Ends a cut sequence, colours, mouse, focus and paste reports; line wrap and cursor come back."""
_LEAVE_SCREEN = b"\x1b[<u\x1b[?1049l"
"""Pops the kitty keyboard's flags and leaves the alternate screen."""
_ENTERED, _LEFT = b"\x1b[?1049h", b"\x1b[?1049l"
_CUT = re.compile(rb"(\x1b(\[[0-?]*[ -/]*|[\]P_^X][^\x07\x1b]*)?|[\xc0-\xff][\x80-\xbf]{0,2})\Z")
"""The end of a stretch of output after which the rest of a sequence may still come.

A whole character of several bytes looks cut to it too, which costs only a short wait.
"""


class Terminal:
    """One terminal, raw from the start until `restore`. Raises OSError where there is none."""

    def __init__(self) -> None:
        self.fd = os.open(_path(), os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
        self.gone = False
        self.rows, self.columns = 24, 80
        self._modes = termios.tcgetattr(self.fd)
        self._waiting = bytearray()
        self._tail = b""
        self._alternate = False
        self.measure()
        self.make_raw()

    @property
    def waiting(self) -> int:
        """Bytes that the terminal has not taken yet."""
        return len(self._waiting)

    @property
    def between_sequences(self) -> bool:
        """Whether something may be written between what was shown and what comes next."""
        return _CUT.search(self._tail) is None

    def make_raw(self) -> None:
        """Let every byte through as it comes; nothing that is typed makes a signal."""
        with contextlib.suppress(termios.error):  # it may have hung up
            tty.setraw(self.fd, termios.TCSANOW)

    def measure(self) -> bytes:
        """Take note of the size, and return it packed as the kernel's `struct winsize`."""
        packed = struct.pack("HHHH", self.rows, self.columns, 0, 0)
        with contextlib.suppress(OSError):
            found = fcntl.ioctl(self.fd, termios.TIOCGWINSZ, packed)
            rows, columns, *_ = struct.unpack("HHHH", found)
            if rows and columns:
                self.rows, self.columns, packed = rows, columns, found
        return packed

    def read(self) -> bytes:
        """What was typed, without waiting. `gone` is set once the terminal has hung up."""
        try:
            data = os.read(self.fd, 65536)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        self.gone = not data
        return data

    def show(self, data: bytes) -> None:
        """Put `data` on the terminal, as much as it takes now, the rest later."""
        seen = self._tail[1 - len(_ENTERED) :] + data
        if (entered := seen.rfind(_ENTERED)) != (left := seen.rfind(_LEFT)):
            self._alternate = entered > left
        self._tail = seen[-_TAIL:] if len(data) < _TAIL else data[-_TAIL:]
        self._waiting += data
        self.flush()

    def flush(self) -> None:
        """Write what waits, as much as the terminal takes."""
        if self.gone:
            self._waiting.clear()
        with contextlib.suppress(OSError):
            del self._waiting[: os.write(self.fd, self._waiting)]

    def note(self, row: int, text: str) -> None:
        """Write `text` over the whole of `row`, from 1, and put the cursor back; rings the bell.

        Reversed, in no colour of its own: an all-stop is never drawn in red on yellow.
        """
        line = text[: self.columns - 1].encode()
        self.show(b"\x1b7\x1b[%d;1H\x1b[0;7m%s\x1b[K\x1b[0m\x1b8\a" % (row, line))

    def leave_screen(self) -> None:
        """Undo what a program that ended without tidying up left switched on."""
        self.show(_LEAVE_MODES + (_LEAVE_SCREEN if self._alternate else b""))

    def restore(self) -> None:
        """Give the terminal back as it was; one that is stalled gets at least its modes back."""
        self.leave_screen()
        ends = time.monotonic() + _PATIENCE_S
        while self._waiting and not self.gone and (left := ends - time.monotonic()) > 0:
            if select.select([], [self.fd], [], left)[1]:
                self.flush()
        with contextlib.suppress(termios.error):
            termios.tcflush(self.fd, termios.TCIFLUSH)
            termios.tcsetattr(self.fd, termios.TCSANOW, self._modes)
        os.close(self.fd)


def _path() -> str:
    """The name of the terminal on our standard streams, else of the controlling one."""
    for fd in (0, 1, 2):
        with contextlib.suppress(OSError):
            return os.ttyname(fd)
    return "/dev/tty"


def _give_way() -> None:
    """Let whatever draws give way to what stops, on a processor that is busy."""
    os.nice(_GIVE_WAY)
    # Linux may share time out by session; a priority counts only inside one then.
    with contextlib.suppress(OSError), open("/proc/self/autogroup", "w") as group:
        group.write(str(_GIVE_WAY))


def become(argv: list[str], size: bytes, settings: Mapping[str, str]) -> NoReturn:
    """In a forked child: make its terminal raw, so that early keys are kept, and run `argv`.

    `size` is a packed `struct winsize`; `settings` are added to the environment. A program that
    cannot be run is said on the terminal, with exit code 2.
    """
    try:
        fcntl.ioctl(0, termios.TIOCSWINSZ, size)
        tty.setraw(0, termios.TCSANOW)
        modes = termios.tcgetattr(0)
        modes[1] |= termios.OPOST | termios.ONLCR  # a traceback's lines begin at the left
        termios.tcsetattr(0, termios.TCSANOW, modes)
        _give_way()
        os.execvpe(argv[0], argv, {**os.environ, **settings})
    except OSError as error:
        os.write(2, f"{argv[0]}: {error.strerror}\n".encode())
    finally:
        os._exit(2)


def rescue(modes: list[Any]) -> None:
    """Put a terminal right whose owner was killed: `modes` are what it had before."""
    with contextlib.suppress(OSError, termios.error):
        terminal = Terminal()
        terminal.show(_ENTERED)  # it may well be on the alternate screen
        terminal.restore()
        fd = os.open(_path(), os.O_RDWR | os.O_NOCTTY)
        termios.tcsetattr(fd, termios.TCSANOW, modes)
        os.close(fd)
