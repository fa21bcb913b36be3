"""What the key guard runs in its tests: says what it hears, and misbehaves when told.

It prints `size ROWS COLUMNS` at the start and at every resize, `settings VALUE pid N` once, `heard
HEX` for every read, and obeys single letters: `q` exits 0, `e` exits 3, `k` kills itself, `c`
raises, `a` enters the alternate screen as a screen program does, `f` floods, `s` prints half a
sequence.
"""

from __future__ import annotations

import fcntl
import os
import signal
import struct
import sys
import termios


def say(text: str) -> None:
    """Write one line at once."""
    os.write(1, text.encode() + b"\n")


def say_size(*_: object) -> None:
    """Say the terminal's size as the kernel has it."""
    rows, columns, *_rest = struct.unpack("HHHH", fcntl.ioctl(0, termios.TIOCGWINSZ, bytes(8)))
    say(f"size {rows} {columns}")


def main() -> None:
    """Read keys for ever."""
    signal.signal(signal.SIGWINCH, say_size)
    say_size()
    say(f"settings {os.environ.get('TEXTUAL_SMOOTH_SCROLL')} pid {os.getpid()} end")
    while data := os.read(0, 4096):
        say(f"heard {data.hex()} end")
        match data:
            case b"q":
                sys.exit(0)
            case b"e":
                sys.exit(3)
            case b"k":
                os.kill(os.getpid(), signal.SIGKILL)
            case b"c":
                raise RuntimeError("on purpose")
            case b"a":
                os.write(1, b"\x1b[?1049h\x1b[?1003h\x1b[>25u\x1b[?25l")
            case b"s":
                os.write(1, b"\x1b[38;5")
            case b"f":
                while True:
                    os.write(1, b"flood" * 1000)


main()
