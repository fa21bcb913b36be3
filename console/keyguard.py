"""The terminal's owner: stop keys reach the engine whatever the console is doing.

Standard library only, one thread, no call that can block. The guard opens the terminal for itself,
runs the console in an inner pseudo-terminal and passes bytes both ways at once. In what it passes
in, it looks for the stop keys and for a click on the all-stop bar's label, and sends those straight
to the engine's stop socket. A console that is busy, frozen or dead, and a terminal that takes no
more output, delay nothing of this.

A console that dies is started again; one that ends by itself ends the guard with its own exit code.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import gc
import os
import pty
import select
import signal
import sys
import termios
import time
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

from console.places import user_name
from console.stopbar import LABEL, on_label
from console.stopkeys import StopKey, StopKeys
from console.stopline import StopLine
from console.terminal import MOST_OUTPUT, Terminal, become

EXIT_NO_TERMINAL = 2

_MOST_INPUT = 64 * 1024
"""Bytes waiting for a console that doesn't read; what is typed after that is lost to it."""
_DELIBERATE_EXITS = (0, 2, 3)
"""Codes by which a console says that it meant to end; see `sexton --help`."""
_MOST_DEATHS, _DEATHS_WITHIN_S, _RESTART_AFTER_S = 3, 60.0, 0.5
_PATIENCE_S = 2.0
"""How long a console may take to end when it is told to."""
_LAST_READS = 32
"""More than a pseudo-terminal holds; what the console started may go on writing for ever."""
_LOOK_FOR_PARENT_S = 1.0
_CUT_FOR_S = 0.1
"""How long a note waits for a console that stopped in the middle of a sequence."""
_ENDING = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT)
_IGNORED = (signal.SIGTSTP, signal.SIGTTOU, signal.SIGTTIN)
_CHILD_SETTINGS = {"TEXTUAL_SMOOTH_SCROLL": "0"}
"""Keeps the mouse's reports in cells: in pixels a click could not be told from another here."""


class _Ended(Exception):
    """The guard is done; `code` is what its process exits with."""

    def __init__(self, code: int) -> None:
        self.code = code


class _Guard:
    """One terminal, one console at a time, one line to the engine."""

    def __init__(self, argv: Sequence[str], stop_socket: Path, terminal: Terminal) -> None:
        self._argv = list(argv)
        self._terminal = terminal
        self._stops = StopLine(stop_socket, user_name())
        self._keys = StopKeys()
        self._to_child = bytearray()
        self._master = -1
        self._pid = 0
        self._deaths: list[float] = []
        self._start_at: float | None = 0.0
        self._leaving: tuple[int, float] | None = None  # exit code, and when patience ends
        self._note_since: float | None = None
        self._parent = os.getppid()
        self._signals, self._wake = os.pipe()
        os.set_blocking(self._signals, False)
        os.set_blocking(self._wake, False)

    def run(self) -> int:
        """Guard until the console ends for good; returns the exit code."""
        for number in _IGNORED:
            signal.signal(number, signal.SIG_IGN)
        for number in (*_ENDING, signal.SIGCHLD, signal.SIGWINCH, signal.SIGCONT):
            signal.signal(number, _heard_through_the_pipe)
        signal.set_wakeup_fd(self._wake, warn_on_full_buffer=False)
        gc.freeze()  # what lives from here on lives to the end: no collection need walk it
        try:
            while True:
                self._on_time(time.monotonic())
                self._turn()
        except _Ended as ended:
            return ended.code
        finally:
            signal.set_wakeup_fd(-1)
            self._kill(signal.SIGKILL)

    def _turn(self) -> None:
        """Wait for something to do and do it, keys first."""
        terminal, stops, master = self._terminal, self._stops, self._master
        reads: list[int] = [self._signals]
        if not terminal.gone:
            reads.append(terminal.fd)
        if stops.connected:
            reads.append(stops.fileno())
        if master >= 0 and terminal.waiting < MOST_OUTPUT:
            reads.append(master)
        writes = [terminal.fd] if terminal.waiting else []
        if self._to_child and master >= 0:
            writes.append(master)
        # select, not poll: macOS has no other call that waits for a terminal.
        readable, writable, _ = select.select(reads, writes, [], self._wait())
        if terminal.fd in readable:
            self._take_keys()
        if stops.connected and stops.fileno() in readable:
            stops.hear()
        if self._signals in readable:
            self._take_signals()
        if master in readable and master == self._master:
            self._take_output()
        if master in writable and master == self._master:
            self._write_child()
        if terminal.fd in writable:
            terminal.flush()

    def _wait(self) -> float:
        now = time.monotonic()
        times = [self._stops.next_at(now), now + _LOOK_FOR_PARENT_S]
        if self._start_at is not None:
            times.append(self._start_at)
        if self._leaving is not None:
            times.append(self._leaving[1])
        return max(min(times) - now, 0.0)

    def _on_time(self, now: float) -> None:
        self._stops.tend(now)
        if (note := self._stops.note(now)) is not None:
            self._show_note(note, now)
        if self._start_at is not None and now >= self._start_at:
            self._start_at = None
            self._start()
        if self._leaving is None and os.getppid() != self._parent:
            self._leave(128 + signal.SIGHUP)  # nobody is left who would want the terminal back
        if self._leaving is not None and now >= self._leaving[1]:
            raise _Ended(self._leaving[0])

    def _take_keys(self) -> None:
        data = self._terminal.read()
        if self._terminal.gone:  # as with its SSH connection
            self._leave(128 + signal.SIGHUP)
            return
        for event in self._keys.feed(data):
            if isinstance(event, StopKey):
                self._stops.press(event.source)
            elif on_label(event.column, event.row, self._terminal.rows):
                self._stops.press("click")
        if self._master >= 0 and len(self._to_child) < _MOST_INPUT:
            self._to_child += data
            self._write_child()

    def _write_child(self) -> None:
        with contextlib.suppress(OSError):
            del self._to_child[: os.write(self._master, self._to_child)]

    def _take_output(self) -> None:
        try:
            data = os.read(self._master, 65536)
        except BlockingIOError:
            return
        except OSError:  # Linux says so when nobody holds the inner terminal any more
            data = b""
        if data:
            self._terminal.show(data)
        else:
            self._close_master()

    def _show_note(self, note: str, now: float) -> None:
        """Write `note` on the all-stop bar's row, where that cuts nothing in two."""
        self._note_since = self._note_since or now
        if self._terminal.between_sequences or now - self._note_since > _CUT_FOR_S:
            self._terminal.note(self._terminal.rows, LABEL + note)
            self._stops.note_shown(note)
            self._note_since = None

    def _take_signals(self) -> None:
        for number in os.read(self._signals, 4096):
            if number == signal.SIGCHLD:
                self._reap()
            elif number == signal.SIGWINCH:
                self._resize()
            elif number == signal.SIGCONT:  # stopped by somebody, who had the terminal meanwhile
                self._terminal.make_raw()
                self._resize()
                self._kill(signal.SIGWINCH)
            else:
                self._leave(128 + number)

    def _resize(self) -> None:
        size = self._terminal.measure()
        if self._master >= 0:
            fcntl.ioctl(self._master, termios.TIOCSWINSZ, size)

    def _start(self) -> None:
        size = self._terminal.measure()
        self._pid, self._master = pty.fork()
        if self._pid == 0:
            become(self._argv, size, _CHILD_SETTINGS)
        os.set_blocking(self._master, False)

    def _reap(self) -> None:
        """Take note of the console's end, once everything that it wrote is on the terminal."""
        pid, status = os.waitpid(self._pid, os.WNOHANG) if self._pid else (0, 0)
        if pid == 0:
            return
        self._pid = 0
        for _ in range(_LAST_READS):
            if self._master >= 0 and select.select([self._master], [], [], 0)[0]:
                self._take_output()
        self._close_master()
        code = os.waitstatus_to_exitcode(status)
        if self._leaving is not None:
            raise _Ended(self._leaving[0])
        if code in _DELIBERATE_EXITS:
            raise _Ended(code)
        now = time.monotonic()
        self._deaths = [t for t in self._deaths if now - t < _DEATHS_WITHIN_S] + [now]
        if len(self._deaths) > _MOST_DEATHS:
            raise _Ended(code if code > 0 else 128 - code)
        why = f"exit code {code}" if code > 0 else f"signal {-code}"
        self._terminal.leave_screen()
        self._terminal.show(f"\r\nThe console ended ({why}). It starts again.\r\n".encode())
        self._start_at = now + _RESTART_AFTER_S

    def _close_master(self) -> None:
        if self._master >= 0:
            os.close(self._master)
        self._master = -1
        self._to_child.clear()

    def _leave(self, code: int) -> None:
        """Tell the console to end, and end with it."""
        if not self._pid:
            raise _Ended(code)
        if self._leaving is None:
            self._leaving = (code, time.monotonic() + _PATIENCE_S)
        self._kill(signal.SIGTERM)
        self._kill(signal.SIGCONT)

    def _kill(self, number: int) -> None:
        if self._pid:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, number)


def _heard_through_the_pipe(number: int, frame: FrameType | None) -> None:
    """Without a handler in Python, a signal would not reach the wake-up pipe."""


def run_console(argv: Sequence[str], stop_socket: Path) -> int:
    """Run the console `argv` on this terminal and pass stops to `stop_socket`; its exit code.

    Killed consoles count 128 plus the signal, as in a shell. Without a terminal it is 2, said on
    stderr.
    """
    try:
        terminal = Terminal()
    except (OSError, termios.error) as error:
        print(f"sexton: a console needs a terminal: {error}", file=sys.stderr)
        return EXIT_NO_TERMINAL
    try:
        return _Guard(argv, stop_socket, terminal).run()
    finally:
        terminal.restore()


def main() -> int:
    """`python -m console.keyguard --stop-socket PATH -- COMMAND...`; used by `sexton run`."""
    parser = argparse.ArgumentParser(prog="keyguard", description=__doc__.partition("\n")[0])
    parser.add_argument("--stop-socket", type=Path, required=True)
    parser.add_argument("command", nargs="+")
    arguments = parser.parse_args()
    return run_console(arguments.command, arguments.stop_socket)


if __name__ == "__main__":
    sys.exit(main())
