"""The all-stop latch on the disk: a small file that is never grown, written in place and synced.

It is made at its full size when the engine starts, so a disk that fills up later cannot keep a stop
from being saved. Two slots with a count and a checksum take turns, so a write that is cut leaves
the other one whole.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path

from console.errors import UserError

SIZE = 4096
_SLOT = SIZE // 2
_HEAD = 24  # "count checksum length " in fixed columns


class LatchFile:
    """One site's latch file. `save` writes at once; the sync runs on a thread of its own."""

    def __init__(self, path: Path, on_saved: Callable[[str], None]) -> None:
        """Open the file, made when missing. `on_saved` hears of every sync, with the trouble or "".

        It is called on the file's own thread. Raises UserError where the file cannot be made.
        """
        self.path = path
        self._on_saved = on_saved
        try:
            self._fd = _made(path)
        except OSError as error:
            raise UserError(
                f"the stop latch {path} cannot be made: {error.strerror}",
                "Make room on that disk, or set SEXTON_DATA to another folder.",
            ) from None
        self._count, self._record = self._read()
        self._due = threading.Event()
        self._closing = False
        self._thread = threading.Thread(target=self._sync, name="latch", daemon=True)
        self._thread.start()

    @property
    def record(self) -> Mapping[str, object]:
        """What was saved last; empty where nothing was."""
        return self._record

    def save(self, record: Mapping[str, object]) -> None:
        """Put `record` in place of the older slot. It outlives the process from here on."""
        self._count += 1
        self._record = record
        try:
            os.pwrite(self._fd, _packed(self._count, record), (self._count % 2) * _SLOT)
        except OSError as error:
            self._on_saved(error.strerror or str(error))
            return
        self._due.set()

    def close(self) -> None:
        """Sync what is left and let the file go."""
        self._closing = True
        self._due.set()
        self._thread.join(5.0)
        with contextlib.suppress(OSError):
            os.close(self._fd)

    def _sync(self) -> None:
        while True:
            self._due.wait()
            self._due.clear()
            try:
                (os.fsync if sys.platform == "darwin" else os.fdatasync)(self._fd)
            except OSError as error:
                self._on_saved(error.strerror or str(error))
            else:
                self._on_saved("")
            if self._closing:
                return

    def _read(self) -> tuple[int, Mapping[str, object]]:
        found = [_unpacked(os.pread(self._fd, _SLOT, at * _SLOT)) for at in (0, 1)]
        return max(found, key=lambda each: each[0])


def _made(path: Path) -> int:
    """A descriptor of the file at its full size; raises OSError."""
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        if os.fstat(fd).st_size < SIZE:
            os.pwrite(fd, bytes(SIZE), 0)
            os.fsync(fd)
            _sync_folder(path.parent)
    except OSError:
        os.close(fd)
        raise
    return fd


def _packed(count: int, record: Mapping[str, object]) -> bytes:
    """One slot. What is too long for it loses its texts, never its latch."""
    body = json.dumps(record, separators=(",", ":")).encode()
    if len(body) > _SLOT - _HEAD:
        short = {k: v for k, v in record.items() if not isinstance(v, str | list)}
        short |= {"source": "", "by": "", "left_out": [], "kept_out": []}
        body = json.dumps(short, separators=(",", ":")).encode()
    head = b"%010d %08X %04d" % (count, zlib.crc32(b"%d " % count + body), len(body))
    return (head + body).ljust(_SLOT, b"\0")


def _unpacked(slot: bytes) -> tuple[int, Mapping[str, object]]:
    try:
        count, checksum, length = slot[:_HEAD].split()
        body = slot[_HEAD : _HEAD + int(length)]
        if zlib.crc32(b"%d " % int(count) + body) == int(checksum, 16):
            record = json.loads(body)
            if isinstance(record, dict):
                return int(count), record
    except ValueError:
        pass
    return 0, {}


def _sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
