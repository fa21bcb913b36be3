"""Where a simulated controller keeps its non-volatile memory.

A store holds one image. It is written whole, in turn into one of two slots, each with a serial and
a CRC, so that a write that is cut leaves the image before it intact.
"""

from __future__ import annotations

import os
import threading
import zlib
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

SLOT_BYTES = 64 * 1024
_HEADER = b"%08X %010d %06d "
_HEADER_BYTES = len(_HEADER % (0, 0, 0))


@dataclass(frozen=True, slots=True)
class Loaded:
    """What was found: the newest whole image (None: blank), and the slots that were damaged."""

    image: bytes | None
    damaged: tuple[int, ...]


class Store(Protocol):
    """Takes images and says which of them would survive a loss of power."""

    @property
    def durable(self) -> int:
        """The serial of the newest image that survives."""

    def load(self) -> Loaded:
        """The newest whole image."""

    def save(self, image: bytes) -> int:
        """Takes an image to be made durable soon; its serial."""

    def flush(self) -> None:
        """Returns once everything saved is durable; raises OSError if it cannot be."""

    def forget_unwritten(self) -> None:
        """Drops what is not durable yet, as a loss of power does."""


class PlainStore:
    """An image in ordinary memory, durable at once: for virtual time."""

    def __init__(self) -> None:
        self._image: bytes | None = None
        self.durable = 0

    def load(self) -> Loaded:
        """The image."""
        return Loaded(self._image, ())

    def save(self, image: bytes) -> int:
        """Keeps the image."""
        self._image = image
        self.durable += 1
        return self.durable

    def flush(self) -> None:
        """Nothing ever waits here."""

    def forget_unwritten(self) -> None:
        """Nothing is ever unwritten here."""


class Writer:
    """One thread that writes the images of many file stores, so that no board waits for a disk.

    `written` is called, in that thread, after every image that became durable.
    """

    def __init__(self, written: Callable[[], None] = lambda: None) -> None:
        self._written = written
        self._lock = threading.Condition()
        self._waiting: deque[FileStore] = deque()
        self._closing = False
        self._news = threading.Event()
        self._thread = threading.Thread(target=self._work, name="memory writer", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Writes what is waiting and ends the thread."""
        with self._lock:
            self._closing = True
            self._lock.notify_all()
        self._thread.join()

    def take(self, store: FileStore) -> None:
        """Has the store's newest image written."""
        with self._lock:
            if store not in self._waiting:
                self._waiting.append(store)
                self._lock.notify_all()

    def take_news(self) -> bool:
        """Whether an image has become durable since the last call."""
        if not self._news.is_set():
            return False
        self._news.clear()
        return True

    def _work(self) -> None:
        while True:
            with self._lock:
                while not self._waiting and not self._closing:
                    self._lock.wait()
                if not self._waiting:
                    return
                store = self._waiting.popleft()
            if store.write_waiting():
                self._news.set()
                self._written()
            elif store.stuck:
                with self._lock:
                    if self._closing:
                        continue
                    self._waiting.append(store)
                    self._lock.wait(1.0)


class FileStore:
    """An image in a file, durable once the writer thread has synced it."""

    def __init__(self, path: Path, writer: Writer) -> None:
        self._writer = writer
        self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        self._lock = threading.Condition()
        self._serial = 0
        self._durable = 0
        self._slot = 0
        self._waiting: tuple[int, bytes] | None = None
        self._busy = False
        self._failed: OSError | None = None

    @property
    def durable(self) -> int:
        """The serial of the newest image that is synced to the disk."""
        return self._durable

    @property
    def stuck(self) -> bool:
        """Whether the newest image could not be written."""
        return self._failed is not None

    def load(self) -> Loaded:
        """The newest whole image; the next one goes to the other slot."""
        found: list[tuple[int, int, bytes]] = []
        damaged = []
        for slot in (0, 1):
            raw = os.pread(self._file, SLOT_BYTES, slot * SLOT_BYTES)
            if not raw.strip(b"\0"):
                continue
            whole = _unpack(raw)
            if whole is None:
                damaged.append(slot)
            else:
                found.append((whole[0], slot, whole[1]))
        if not found:
            return Loaded(None, tuple(damaged))
        serial, slot, image = max(found)
        with self._lock:
            self._serial = max(self._serial, serial)
            self._durable = max(self._durable, serial)
            self._slot = 1 - slot
        return Loaded(image, tuple(damaged))

    def save(self, image: bytes) -> int:
        """Leaves the image to the writer; an older one that it has not begun is skipped."""
        with self._lock:
            self._serial += 1
            self._waiting = (self._serial, image)
            self._failed = None
            serial = self._serial
        self._writer.take(self)
        return serial

    def flush(self) -> None:
        """Waits for the writer; raises the OSError that kept it from writing."""
        with self._lock:
            while self._busy or self._waiting is not None:
                if self._failed is not None:
                    raise self._failed
                self._lock.wait(1.0)

    def forget_unwritten(self) -> None:
        """Drops the image that the writer has not begun; one under way becomes whole."""
        with self._lock:
            self._waiting = None
            while self._busy:
                self._lock.wait()

    def write_waiting(self) -> bool:
        """Writes the newest image, in the writer's thread; True if it is durable now."""
        with self._lock:
            if self._waiting is None:
                return False
            serial, image = self._waiting
            self._waiting = None
            self._busy = True
        failed: OSError | None = None
        try:
            os.pwrite(self._file, _pack(serial, image), self._slot * SLOT_BYTES)
            os.fsync(self._file)
        except OSError as error:
            failed = error
        with self._lock:
            self._busy = False
            self._failed = failed
            if failed is None:
                self._durable = serial
                self._slot = 1 - self._slot
            elif self._waiting is None:
                self._waiting = (serial, image)
            self._lock.notify_all()
        return failed is None

    def close(self) -> None:
        """Lets go of the file."""
        os.close(self._file)


def _pack(serial: int, image: bytes) -> bytes:
    if _HEADER_BYTES + len(image) > SLOT_BYTES:
        raise OSError(f"an image of {len(image)} bytes does not fit a slot")
    return _HEADER % (zlib.crc32(image), serial, len(image)) + image


def _unpack(raw: bytes) -> tuple[int, bytes] | None:
    try:
        check, serial, length = raw[:_HEADER_BYTES].split()
        image = raw[_HEADER_BYTES : _HEADER_BYTES + int(length)]
        whole = len(image) == int(length) and zlib.crc32(image) == int(check, 16)
        return (int(serial), image) if whole else None
    except ValueError:
        return None
