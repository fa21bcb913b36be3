"""The writing side of the ledger: one connection, one transaction for each append."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from console.ledger import appending
from console.ledger.entries import (
    Appended,
    BootMap,
    Counter,
    CounterKey,
    Entry,
    OpenNight,
)
from console.ledger.numbering import counters
from console.ledger.opening import WriterLock, explaining, open_for_writing


class LedgerMoved(OSError):
    """The file is no longer where it was opened; what is written now would vanish with it."""


class Ledger:
    """An open ledger. Use it from one thread at a time.

    Errors of the disk come out as sqlite3.Error or LedgerMoved with the ledger unchanged; the next
    append tries afresh.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, lock: WriterLock) -> None:
        self.path = path
        self._db = connection
        self._lock = lock
        self._last_seq = appending.newest_seq(connection)
        status = os.stat(path)
        self._file = (status.st_dev, status.st_ino)

    @classmethod
    def open(cls, path: Path) -> Ledger:
        """Open the ledger at `path`, made when missing, for writing by this process alone.

        Raises UserError for a folder, a damaged or foreign file, one that cannot be written, one of
        a newer schema, or one that another process is writing.
        """
        connection, lock = open_for_writing(path)
        with ExitStack() as undo, explaining(path):
            undo.callback(lock.release)
            undo.callback(connection.close)
            opened = cls(path, connection, lock)
            undo.pop_all()
        return opened

    def append(self, entries: Sequence[Entry]) -> Appended:
        """Write all of `entries` durably, or none and raise."""
        return self.append_batches([entries])[0]

    def append_batches(self, batches: Sequence[Sequence[Entry]]) -> list[Appended]:
        """Write several batches in one transaction: all of them or none."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._check_place()
            appender = appending.Appender(self._db, self._last_seq)
            results = [appender.append(batch) for batch in batches]
            self._db.execute("COMMIT")
        except BaseException:
            # SQLite has rolled back by itself after some errors of the disk.
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
        self._last_seq = appender.last_seq
        return results

    def known_counters(self) -> dict[CounterKey, Counter]:
        """How far each prop's cycle numbers are known, by (board, life, prop index)."""
        return counters(self._db)

    def latest_boot_maps(self) -> dict[tuple[str, int], BootMap]:
        """The newest clock mapping of every boot that was ever seen, by (board, boot)."""
        rows = self._db.execute(
            "SELECT board, boot, board_ms, wall_ns, bound_ms FROM boot_maps ORDER BY seq"
        )
        return {(row[0], row[1]): BootMap(*row) for row in rows}

    def open_night(self) -> OpenNight | None:
        """The night that nobody closed yet, also when the engine that opened it is gone."""
        return appending.open_night(self._db)

    def close(self) -> None:
        """Fold the WAL into the file and let other writers in."""
        self._db.close()
        self._lock.release()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _check_place(self) -> None:
        try:
            status = os.stat(self.path)
        except OSError as error:
            raise LedgerMoved(f"{self.path} is gone: {error.strerror}") from None
        if (status.st_dev, status.st_ino) != self._file:
            raise LedgerMoved(f"{self.path} was replaced by another file")
