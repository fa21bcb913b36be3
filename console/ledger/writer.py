"""The ledger's own thread: groups what comes in within 10 ms into one durable transaction.

A full disk or a failing one never reaches the night that runs beside it: what could not be written
is reported, kept, and tried again with the next submit and once a second.
"""

from __future__ import annotations

import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from console.ledger.entries import (
    Appended,
    BootMap,
    Committed,
    Counter,
    CounterKey,
    Entry,
    Failed,
    OpenNight,
    WriterResult,
)
from console.ledger.ledger import Ledger, LedgerMoved

GROUP_S: Final = 0.010
RETRY_S: Final = 1.0
_GROUP_ENTRIES = 1000
"""Entries in one transaction at most, so that a long backlog returns in steps."""
KEPT_ENTRIES: Final = 20_000
"""Entries kept at most while the disk fails; about 20 MB, and a night of a small site."""

_BAD_ENTRY = (
    sqlite3.IntegrityError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
    sqlite3.DataError,
)
"""SQLite's errors about what was given; all others are about the disk and may pass."""


@dataclass(frozen=True, slots=True)
class _Batch:
    batch_id: int
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Start:
    """What the ledger knew when it was opened."""

    counters: dict[CounterKey, Counter]
    boot_maps: dict[tuple[str, int], BootMap]
    night: OpenNight | None


class LedgerWriter:
    """Appends on a thread that owns the one writing connection.

    `on_done` is called on that thread with every result; it should hand the result over and wake
    its owner, no more. Each batch id ends in exactly one Committed or one Failed with `kept` false;
    a Failed with `kept` true may come before either.
    """

    def __init__(self, path: Path, on_done: Callable[[WriterResult], None]) -> None:
        """Open the ledger and start the thread. Raises UserError as `Ledger.open` does."""
        self._ledger = Ledger.open(path)
        self.start: Final = Start(
            self._ledger.known_counters(),
            self._ledger.latest_boot_maps(),
            self._ledger.open_night(),
        )
        self._on_done = on_done
        self._inbox: queue.SimpleQueue[_Batch | None] = queue.SimpleQueue()
        self._waiting: list[_Batch] = []
        self._reported: set[int] = set()
        self._reason = ""
        self._full = False
        self._singly = 0
        self._closing = False
        self._ended = False
        self._gate = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="ledger", daemon=True)
        self._thread.start()

    def submit(self, batch_id: int, entries: Sequence[Entry]) -> None:
        """Hand over a batch; returns at once, from any thread. `batch_id` must be new.

        Raises RuntimeError after `close`, or when the thread died of an error in `on_done`.
        """
        with self._gate:
            if self._ended:
                raise RuntimeError("the ledger writer has ended")
            self._inbox.put(_Batch(batch_id, tuple(entries)))

    def close(self, timeout_s: float = 10.0) -> bool:
        """Write what is left, close the ledger, end the thread; False if the disk holds it up."""
        self._inbox.put(None)
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._closing:
                self._gather()
                if self._waiting:
                    self._write()
        finally:
            with self._gate:
                self._ended = True
            while not self._inbox.empty():
                self._take(self._inbox.get())
            self._ledger.close()
            self._give_up(self._waiting, self._reason or "the ledger was closed", self._full)

    def _gather(self) -> None:
        """Wait for a batch, or for the time to try again, and take what follows within 10 ms."""
        try:
            self._take(self._inbox.get(timeout=RETRY_S if self._waiting else None))
        except queue.Empty:
            return
        until = time.monotonic() + GROUP_S
        while not self._closing and (left := until - time.monotonic()) > 0:
            try:
                self._take(self._inbox.get(timeout=left))
            except queue.Empty:
                return

    def _take(self, batch: _Batch | None) -> None:
        if batch is None:
            self._closing = True
        else:
            self._waiting.append(batch)

    def _write(self) -> None:
        """Write everything that waits, in groups; stop at the first failure of the disk."""
        while self._waiting:
            group = self._next_group()
            try:
                appended = self._ledger.append_batches([batch.entries for batch in group])
            except Exception as error:  # noqa: BLE001 - no entry may end the record of a night
                if _is_of_the_disk(error):
                    self._failed(error)
                    return
                if len(group) == 1:
                    self._give_up(group, f"{type(error).__name__}: {error}", disk_full=False)
                    del self._waiting[0]
                else:
                    self._singly = len(group)
            else:
                self._committed(group, appended)

    def _next_group(self) -> list[_Batch]:
        """What goes into one transaction.

        A single batch while the disk fails, so that trying costs little, and after a bad entry, so
        that only its own batch fails.
        """
        if self._reason or self._singly:
            self._singly = max(self._singly - 1, 0)
            return self._waiting[:1]
        entries = 0
        for at, batch in enumerate(self._waiting):
            entries += len(batch.entries)
            if entries > _GROUP_ENTRIES:
                return self._waiting[: max(at, 1)]
        return list(self._waiting)

    def _committed(self, group: list[_Batch], appended: list[Appended]) -> None:
        del self._waiting[: len(group)]
        ids = tuple(batch.batch_id for batch in group)
        self._reported.difference_update(ids)
        self._reason, self._full = "", False
        self._on_done(Committed(ids, tuple(appended)))

    def _failed(self, error: Exception) -> None:
        """Report the batches that could not be written, once each unless the reason changed."""
        reason = str(error)
        self._full = (getattr(error, "sqlite_errorcode", 0) & 0xFF) == sqlite3.SQLITE_FULL
        if reason != self._reason:
            self._reported.clear()
        self._reason = reason
        # The newest are given up, not the oldest: a night begins with its opening, and the boards
        # still hold their newest cycles.
        room = KEPT_ENTRIES
        for at, batch in enumerate(self._waiting):
            room -= len(batch.entries)
            if room < 0:
                self._give_up(self._waiting[at:], reason, self._full)
                del self._waiting[at:]
                break
        ids = tuple(b.batch_id for b in self._waiting if b.batch_id not in self._reported)
        self._reported.update(ids)
        if ids:
            self._on_done(Failed(ids, reason, self._full, kept=True))

    def _give_up(self, batches: Sequence[_Batch], reason: str, disk_full: bool) -> None:
        if batches:
            ids = tuple(batch.batch_id for batch in batches)
            self._reported.difference_update(ids)
            self._on_done(Failed(ids, reason, disk_full, kept=False))


def _is_of_the_disk(error: Exception) -> bool:
    if isinstance(error, _BAD_ENTRY):
        return False
    return isinstance(error, sqlite3.Error | LedgerMoved)
