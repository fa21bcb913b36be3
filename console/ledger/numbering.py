"""Keeps the rows of cycle numbers whole: baseline + stored + gaps == highest, whatever arrives.

A row of numbers belongs to one (board, life, prop index). It begins at first contact: what the
board had counted until then is the baseline. Above it every number up to the highest known one is
either stored or part of a gap. A number that turns up later leaves its gap, or the baseline.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from console.ledger.entries import BoardSeen, Counter, CounterKey, CycleEntry, GapEntry

NOT_FETCHED = "not-fetched"
"""The reason of a gap that nobody explained yet: the board may still hold those cycles."""

_COLUMNS = "id, contact, highest, baseline, stored, missing"


class Numbering:
    """The rows of numbers of one ledger, inside the transaction of its owner."""

    def __init__(self, connection: sqlite3.Connection, next_seq: Callable[[], int]) -> None:
        self._db = connection
        self._next_seq = next_seq
        self.opened: list[GapEntry] = []
        """Gaps found since the owner last emptied this list."""

    def seen(self, entry: BoardSeen) -> None:
        """Note how far a board says it has counted."""
        row = self._row(entry.board, entry.life, entry.prop_index)
        if row is None:
            self._begin(entry.board, entry.life, entry.prop_index, contact=entry.number)
        elif entry.number > row[2]:
            self._extend(entry, row[0], row[2] + 1, entry.number, NOT_FETCHED, entry.wall_ns)

    def counter_of(self, entry: CycleEntry) -> int:
        """The id of the row that this cycle belongs to; its first cycle is its first contact."""
        row = self._row(entry.board, entry.life, entry.prop_index)
        if row is not None:
            return int(row[0])
        return self._begin(entry.board, entry.life, entry.prop_index, contact=entry.number - 1)

    def stored(self, entry: CycleEntry, counter_id: int) -> None:
        """Note that the cycle, which was not there before, is stored now."""
        contact, highest = self._db.execute(
            "SELECT contact, highest FROM counters WHERE id = ?", (counter_id,)
        ).fetchone()
        if entry.number > highest:
            if entry.number > highest + 1:
                self._extend(
                    entry, counter_id, highest + 1, entry.number - 1, NOT_FETCHED,
                    entry.started_wall_ns,
                )  # fmt: skip
            self._change(counter_id, "highest = highest + 1, stored = stored + 1")
        elif entry.number <= contact:
            self._change(counter_id, "baseline = baseline - 1, stored = stored + 1")
        else:
            self._leave_gap(counter_id, entry.number)
            self._change(counter_id, "missing = missing - 1, stored = stored + 1")

    def lost(self, entry: GapEntry) -> None:
        """Note why cycles cannot be fetched, whether or not their gap was known."""
        row = self._row(entry.board, entry.life, entry.prop_index)
        if row is None:
            counter_id = self._begin(
                entry.board, entry.life, entry.prop_index, contact=entry.first - 1
            )
            highest = entry.first - 1
        else:
            counter_id, _, highest = row[:3]
        if entry.first > highest + 1:
            self._extend(
                entry, counter_id, highest + 1, entry.first - 1, NOT_FETCHED, entry.wall_ns
            )
            highest = entry.first - 1
        self._explain(counter_id, entry)
        if entry.last > highest:
            first_new = max(entry.first, highest + 1)
            self._extend(entry, counter_id, first_new, entry.last, entry.reason, entry.wall_ns)

    def _row(self, board: str, life: int, prop_index: int) -> tuple[int, ...] | None:
        found: tuple[int, ...] | None = self._db.execute(
            f"SELECT {_COLUMNS} FROM counters WHERE board = ? AND life = ? AND prop_index = ?",
            (board, life, prop_index),
        ).fetchone()
        return found

    def _begin(self, board: str, life: int, prop_index: int, *, contact: int) -> int:
        cursor = self._db.execute(
            "INSERT INTO counters (board, life, prop_index, contact, highest, baseline, stored,"
            " missing) VALUES (?, ?, ?, ?, ?, ?, 0, 0)",
            (board, life, prop_index, contact, contact, contact),
        )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def _change(self, counter_id: int, how: str) -> None:
        self._db.execute(f"UPDATE counters SET {how} WHERE id = ?", (counter_id,))

    def _extend(
        self,
        about: BoardSeen | CycleEntry | GapEntry,
        counter_id: int,
        first: int,
        last: int,
        reason: str,
        wall_ns: int,
    ) -> None:
        """Open a gap right above the highest number."""
        self._add_gap(counter_id, first, last, reason, wall_ns)
        self._db.execute(
            "UPDATE counters SET highest = ?, missing = missing + ? WHERE id = ?",
            (last, last - first + 1, counter_id),
        )
        self.opened.append(
            GapEntry(about.board, about.life, about.prop_index, first, last, reason, wall_ns)
        )

    def _add_gap(self, counter_id: int, first: int, last: int, reason: str, wall_ns: int) -> None:
        self._db.execute(
            "INSERT INTO gaps (seq, counter_id, first, last, reason, noticed_ns)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (self._next_seq(), counter_id, first, last, reason, wall_ns),
        )

    def _leave_gap(self, counter_id: int, number: int) -> None:
        seq, first, last, reason, noticed_ns = self._db.execute(
            "SELECT seq, first, last, reason, noticed_ns FROM gaps"
            " WHERE counter_id = ? AND first <= ? ORDER BY first DESC LIMIT 1",
            (counter_id, number),
        ).fetchone()
        self._db.execute("DELETE FROM gaps WHERE seq = ?", (seq,))
        if first < number:
            self._add_gap(counter_id, first, number - 1, reason, noticed_ns)
        if number < last:
            self._add_gap(counter_id, number + 1, last, reason, noticed_ns)

    def _explain(self, counter_id: int, entry: GapEntry) -> None:
        """Give the open gaps inside the entry's numbers its reason, splitting where needed."""
        overlapping = self._db.execute(
            "SELECT seq, first, last, reason, noticed_ns FROM gaps"
            " WHERE counter_id = ? AND first <= ? AND last >= ? AND reason <> ?",
            (counter_id, entry.last, entry.first, entry.reason),
        ).fetchall()
        for seq, first, last, reason, noticed_ns in overlapping:
            self._db.execute("DELETE FROM gaps WHERE seq = ?", (seq,))
            if first < entry.first:
                self._add_gap(counter_id, first, entry.first - 1, reason, noticed_ns)
            self._add_gap(
                counter_id,
                max(first, entry.first),
                min(last, entry.last),
                entry.reason,
                entry.wall_ns or noticed_ns,
            )
            if last > entry.last:
                self._add_gap(counter_id, entry.last + 1, last, reason, noticed_ns)


def counters(connection: sqlite3.Connection) -> dict[CounterKey, Counter]:
    """Every row of numbers, by (board, life, prop index)."""
    rows = connection.execute(
        "SELECT board, life, prop_index, highest, baseline, stored, missing, contact FROM counters"
    )
    return {(r[0], r[1], r[2]): Counter(r[3], r[4], r[5], r[6], r[7]) for r in rows}
