"""Finding engines, starting them, and opening a console on one under the key guard.

The engine is a process of its own that outlives whoever started it; here is only what `sexton run`,
`attach` and `demo` have in common.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from console.errors import NoEngine, UserError
from console.places import EngineFolder, data_dir, engine_folders, slug_of
from console.terminal import rescue

START_WITHIN_S = 20.0
"""How long an engine may take to listen; a slow disk's check of a large ledger is in it."""

_LOOK_EVERY_S = 0.25
_STEADY_S = 30.0
"""An engine that lived this long is started again at once when it dies."""
_LARGEST_LOG = 5_000_000
_FORWARDED = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)


@dataclass(frozen=True, slots=True)
class Running:
    """An engine that is alive, as its lock describes it."""

    folder: EngineFolder
    pid: int
    site: str
    ledger: str
    demo: bool


def running(folder: EngineFolder) -> Running | None:
    """The engine that holds the lock of `folder`, if one does."""
    try:
        with folder.lock.open("rb") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
                return None
            except OSError:
                holder = json.loads(lock.read(4096) or b"{}")
        return Running(
            folder,
            int(holder.get("pid", 0)),
            str(holder.get("site", "")),
            str(holder.get("ledger", "")),
            bool(holder.get("demo", False)),
        )
    except (OSError, ValueError, AttributeError):
        return None


def find_engine(site: str | None) -> Running:
    """The one running engine, or that of `site`, a site file or the name of an engine's folder.

    Raises NoEngine where there is none, UserError where several could be meant.
    """
    alive = [found for folder in engine_folders() if (found := running(folder)) is not None]
    if site is not None:
        slugs = (site, slug_of(Path(site)), slug_of(Path(site), demo=True))
        alive = [found for found in alive if found.folder.folder.name in slugs]
    if not alive:
        raise NoEngine(
            "no engine is running" + (f" for {site}" if site else ""),
            "Start one with `sexton run SITE.yaml`, or look around with `sexton demo`.",
        )
    if len(alive) > 1:
        names = "".join(f"\n  {found.folder.folder.name}  {found.site}" for found in alive)
        raise UserError("several engines are running; say which one you mean", names.lstrip("\n"))
    return alive[0]


def need_terminal() -> None:
    """Raise UserError where no console could be drawn."""
    if not (os.isatty(0) and os.isatty(1)):
        raise UserError(
            "a console needs a terminal on its standard input and output",
            "Without one, `sexton engine SITE.yaml` runs the engine alone.",
        )


def log_file(slug: str) -> Path:
    """Where the engine of this name writes what it has to say; a large one is put aside."""
    path = data_dir() / f"{slug}.log"
    with contextlib.suppress(FileNotFoundError):
        if path.stat().st_size > _LARGEST_LOG:
            path.replace(path.with_suffix(".log.old"))
    return path


class Keeper:
    """Starts the engine of one site, and starts it again should it die.

    A new engine lands disarmed. One that ended in order, by its own exit code 0, was meant to end
    and is left alone.
    """

    def __init__(
        self,
        folder: EngineFolder,
        command: Sequence[str],
        log: Path,
        *,
        stdin: int = subprocess.DEVNULL,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        """`environment` is added to this process's own."""
        self._stdin = stdin
        self._environment = {**os.environ, **(environment or {})}
        self._folder = folder
        self._command = list(command)
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None
        self._pid = 0
        self._started_at = 0.0
        self._wait_s = 0.0
        self._dead_at: float | None = None

    def ensure(self) -> None:
        """Have an engine that listens; raises UserError with the end of its log otherwise."""
        if (alive := running(self._folder)) is not None:
            self._pid = alive.pid
            return
        mark = self._log.stat().st_size if self._log.exists() else 0
        self._start()
        assert self._process is not None
        ends = time.monotonic() + START_WITHIN_S
        while not listens(self._folder.stop_socket):
            code = self._process.poll()
            if code is not None or time.monotonic() > ends:
                with self._log.open("rb") as log:
                    log.seek(mark)
                    said = log.read(8192).decode(errors="replace").strip()
                raise UserError(said or "the engine did not start", f"Its log is {self._log}.")
            time.sleep(0.02)

    def tend(self) -> None:
        """Look whether the engine is alive and start it again if not; to be called often."""
        now = time.monotonic()
        if self._is_alive():
            self._dead_at = None
            return
        if self._process is not None and self._process.returncode == 0:
            return
        if self._dead_at is None:
            self._dead_at = now
            steady = now - self._started_at > _STEADY_S
            self._wait_s = 0.0 if steady else min(self._wait_s * 2 + 0.2, 10.0)
        if now - self._dead_at >= self._wait_s:
            alive = running(self._folder)  # somebody else's console may have been quicker
            if alive is None:
                self._start()
            else:
                self._process, self._pid = None, alive.pid

    def end(self, within_s: float = 5.0) -> None:
        """End the engine that was started here, in order if it can."""
        if self._process is None or self._process.poll() is not None:
            return
        self._process.terminate()
        try:
            self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command,
                env=self._environment,
                stdin=self._stdin,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self._pid, self._started_at, self._dead_at = self._process.pid, time.monotonic(), None

    def _is_alive(self) -> bool:
        if self._process is not None:
            return self._process.poll() is None
        try:
            os.kill(self._pid, 0)
        except OSError:
            return False
        return self._pid > 0


def listens(path: Path) -> bool:
    """Whether somebody accepts connections on this local socket."""
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            return False
        return True


def python(*words: str) -> list[str]:
    """A command of this very Python, which looks for modules only where they are installed."""
    return [sys.executable, "-P", "-m", *words]


def open_console(
    folder: EngineFolder,
    tend: Callable[[], None] = lambda: None,
    *,
    within_s: float | None = None,
) -> int:
    """A console on the engine of `folder`, on this terminal; returns its exit code.

    `tend` is called a few times a second as long as it is open; after `within_s` it is closed,
    which counts as meant. Signals that end a program are passed on to the key guard, which gives
    the terminal back.
    """
    modes = termios.tcgetattr(0)
    guard = subprocess.Popen(
        [
            *python("console.keyguard", "--stop-socket", str(folder.stop_socket), "--"),
            *python("console.commands.console_child", "--socket", str(folder.socket)),
            *("--stop-socket", str(folder.stop_socket)),
        ]
    )

    def forward(number: int, frame: FrameType | None) -> None:
        guard.send_signal(number)

    before = {number: signal.signal(number, forward) for number in _FORWARDED}
    before[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
    try:
        ends = None if within_s is None else time.monotonic() + within_s
        while guard.poll() is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                guard.wait(_LOOK_EVERY_S)
            tend()
            if ends is not None and time.monotonic() > ends:
                guard.terminate()
                guard.wait()
                return 0
    finally:
        if guard.poll() is None:
            guard.terminate()
            guard.wait()
        for number, handler in before.items():
            signal.signal(number, handler)
    if guard.returncode < 0:
        rescue(modes)
        return 128 - guard.returncode
    return guard.returncode
