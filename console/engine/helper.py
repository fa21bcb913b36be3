"""The helper thread: opens, closes and lists ports, and keeps what the next engine should know.

All of that may block for seconds; nothing here touches what the loop is using.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import queue
import stat
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from console.engine.events import PortFailed, PortsListed
from console.places import runtime_dir
from drivers.port import HELD, OpenedPort, PortError, list_all, open_port


@dataclass(frozen=True, slots=True)
class Opened:
    """A line's port, ready for the loop."""

    line: str
    port: OpenedPort


class LineHeld(Exception):
    """Another engine has this line; the message names it."""


class LineLock:
    """Held as long as an engine uses a line, so that two engines never speak to one board."""

    def __init__(self, what: str, holder: Mapping[str, object]) -> None:
        """Take the lock of a device or of a line's description; raises LineHeld."""
        digest = hashlib.sha256(what.encode()).hexdigest()[:16]
        self._file: IO[str] = (runtime_dir() / f"line-{digest}.lock").open("a+")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._file.seek(0)
            with contextlib.suppress(ValueError):
                holder = json.loads(self._file.read(4096))
            self._file.close()
            raise LineHeld(
                f"the engine of {holder.get('site', '?')} (process {holder.get('pid', '?')}) has it"
            ) from None
        self._file.seek(0)
        self._file.truncate()
        with contextlib.suppress(OSError):
            self._file.write(json.dumps(dict(holder)))
            self._file.flush()

    def release(self) -> None:
        """Let another engine have the line."""
        self._file.close()


class Helper:
    """Carries out slow jobs one after the other; `done` hears of each on the helper's thread."""

    def __init__(
        self,
        holder: Mapping[str, object],
        memory_file: Path,
        done: Callable[[object], None],
        *,
        only_below: Path | None = None,
    ) -> None:
        """With `only_below` nothing but pseudo-terminals linked from that folder is opened."""
        self._holder = holder
        self._memory_file = memory_file
        self._done = done
        self._only_below = only_below
        self._locks: dict[int, LineLock] = {}
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="helper", daemon=True)
        self._thread.start()

    def open(self, line: str, device: str, baud: int) -> None:
        """Open a device for a line: ends in `Opened` or `PortFailed`."""
        self._jobs.put(lambda: self._open(line, device, baud))

    def close(self, port: OpenedPort) -> None:
        """Close a port."""
        self._jobs.put(lambda: self._close(port))

    def list(self) -> None:
        """List the ports: ends in `PortsListed`."""
        self._jobs.put(self._list)

    def remember(self, record: Mapping[str, object]) -> None:
        """Keep what the next engine of this site should know."""
        self._jobs.put(lambda: self._remember(record))

    def end(self, timeout_s: float = 3.0) -> None:
        """Finish what was asked and end the thread."""
        self._jobs.put(None)
        self._thread.join(timeout_s)

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()

    def _open(self, line: str, device: str, baud: int) -> None:
        lock: LineLock | None = None
        try:
            self._check(device)
            lock = LineLock(os.path.realpath(device) if "://" not in device else device,
                            self._holder)  # fmt: skip
            port = open_port(device, baud)
        except LineHeld as held:
            self._done(PortFailed(line, device, str(held), held=True))
        except Exception as error:  # noqa: BLE001 - no driver's oddity may end the helper
            if lock is not None:
                lock.release()
            text = str(error) or type(error).__name__
            self._done(PortFailed(line, device, text, held=text == HELD))
        else:
            self._locks[id(port)] = lock
            self._done(Opened(line, port))

    def _close(self, port: OpenedPort) -> None:
        port.close()
        lock = self._locks.pop(id(port), None)
        if lock is not None:
            lock.release()

    def _list(self) -> None:
        try:
            ports = list_all()
        except Exception:  # noqa: BLE001 - as above; an empty list is looked at again in a second
            ports = ()
        self._done(PortsListed(ports))

    def _remember(self, record: Mapping[str, object]) -> None:
        beside = self._memory_file.with_suffix(".new")
        # Convenience only: what cannot be kept is asked of the operator again.
        with contextlib.suppress(OSError):
            beside.write_text(json.dumps(record), encoding="utf-8")
            beside.replace(self._memory_file)

    def _check(self, device: str) -> None:
        if self._only_below is None:
            return
        real = Path(os.path.realpath(device))
        below = Path(device).parent.resolve() == self._only_below.resolve()
        if not below or not is_pseudo_terminal(real):
            raise PortError("a demo opens no real line")


def is_pseudo_terminal(device: Path) -> bool:
    """Whether a device is the slave end of a pseudo-terminal."""
    try:
        status = device.stat()
    except OSError:
        # Let the opening itself say what is wrong.
        return True
    return stat.S_ISCHR(status.st_mode) and (
        str(device).startswith("/dev/pts/") or device.name.startswith("ttys")
    )


def recall(memory_file: Path) -> Mapping[str, object]:
    """What the last engine of this site kept; empty where nothing can be read."""
    try:
        found = json.loads(memory_file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
