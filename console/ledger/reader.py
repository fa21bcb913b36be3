"""The reading side: works beside a running engine, from any process, and holds nobody up.

Long answers come in pages, each a short read of its own, so that no reader keeps the writer's WAL
from being folded back however slowly its rows are taken.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Self

from console.ledger import appending
from console.ledger.correcting import settled
from console.ledger.entries import Counter, CounterKey, OpenNight, ServiceKind, Travel
from console.ledger.numbering import counters
from console.ledger.opening import open_for_reading
from console.ledger.rows import (
    CycleRow,
    EventRow,
    Filter,
    GapRow,
    MissedRow,
    NightRow,
    PartRow,
    PropCounts,
    ServiceRow,
    StrokeRow,
)

_PAGE = 500

_CYCLES = """
    SELECT c.seq, c.night_id, coalesce(n.date, ''), p.name, s.name, c.trigger, c.outcome,
           c.started_ns, c.bound_ms, c.duration_ms, c.travels, k.board, k.life, k.prop_index,
           c.number, c.boot, c.board_ms
    FROM cycles c
    LEFT JOIN nights n ON n.id = c.night_id
    LEFT JOIN props p ON p.id = c.prop_id
    LEFT JOIN sequences s ON s.id = c.sequence_id
    LEFT JOIN counters k ON k.id = c.counter_id
"""
_MISSED = """
    SELECT c.seq, c.night_id, coalesce(n.date, ''), p.name, c.source, c.reason, c.wall_ns, c.board
    FROM missed c
    LEFT JOIN nights n ON n.id = c.night_id
    LEFT JOIN props p ON p.id = c.prop_id
"""
_EVENTS = """
    SELECT c.seq, c.night_id, coalesce(n.date, ''), c.kind, c.subject, c.detail, c.wall_ns, c.who,
           c.board
    FROM events c
    LEFT JOIN nights n ON n.id = c.night_id
"""
_SERVICE = """
    SELECT c.seq, c.part, p.name, c.motion, c.kind, c.who, c.note, c.readings, c.wall_ns,
           c.prop_cycles, c.strokes, c.task, c.other, c.about,
           coalesce(nullif(c.recorded_ns, 0), c.wall_ns)
    FROM service c
    LEFT JOIN props p ON p.id = c.prop_id
"""


class Reader:
    """A read-only look into one ledger. Use it from one thread at a time."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    @classmethod
    def open(cls, path: Path) -> Self:
        """Look into the ledger at `path`. Raises UserError where there is none to read."""
        return cls(open_for_reading(path))

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def nights(self) -> list[NightRow]:
        """Every night in the order of opening, with its sums."""
        rows = self._db.execute("""
            SELECT n.id, n.date, n.opened_ns, n.opened_by, n.closed_ns, n.closed_by, n.left_open,
                   (SELECT coalesce(sum(cycles), 0) FROM night_cycles c WHERE c.night_id = n.id),
                   (SELECT coalesce(sum(missed), 0) FROM night_missed m WHERE m.night_id = n.id)
            FROM nights n ORDER BY n.opened_seq
        """)
        return [NightRow(*(*row[:6], bool(row[6]), *row[7:])) for row in rows]

    def open_night(self) -> OpenNight | None:
        """The night that nobody closed yet."""
        return appending.open_night(self._db)

    def site_file(self) -> Path | None:
        """The site file of the engine that ran last with this ledger, where it said so."""
        row = self._db.execute(
            "SELECT json_extract(detail, '$.site_file') FROM events WHERE kind = 'engine-started'"
            " ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        return Path(row[0]) if row and row[0] else None

    def props(self) -> list[str]:
        """The names of all props that the ledger ever heard of."""
        return [
            row[0]
            for row in self._db.execute("SELECT name FROM props WHERE name <> '' ORDER BY name")
        ]

    def outcomes(self) -> list[str]:
        """The outcomes that cycles ever had."""
        rows = self._db.execute("SELECT DISTINCT outcome FROM night_cycles ORDER BY outcome")
        return [row[0] for row in rows]

    def cycles(self, wanted: Filter = Filter()) -> Iterator[CycleRow]:  # noqa: B008
        """Cycles in the order of arrival."""
        also = {"c.outcome": wanted.outcome, "c.trigger": wanted.trigger}
        for row in self._stream("cycles", _CYCLES, wanted, also):
            travels = tuple(Travel(*travel) for travel in json.loads(row[10]))
            yield CycleRow(*(*row[:10], travels, *row[11:]))

    def missed(self, wanted: Filter = Filter()) -> Iterator[MissedRow]:  # noqa: B008
        """Missed triggers in the order of arrival."""
        also = {"c.reason": wanted.reason, "c.source": wanted.source}
        for row in self._stream("missed", _MISSED, wanted, also):
            yield MissedRow._make(row)

    def events(self, wanted: Filter = Filter()) -> Iterator[EventRow]:  # noqa: B008
        """Events in the order of arrival; `prop` is looked for in their subject."""
        also = {"c.kind": wanted.kind}
        for row in self._stream("events", _EVENTS, wanted, also):
            yield EventRow(*(*row[:5], json.loads(row[5]), *row[6:]))

    def gaps(self) -> list[GapRow]:
        """Every open gap, by prop and number."""
        rows = self._db.execute("""
            SELECT g.seq, coalesce((SELECT p.name FROM cycles c JOIN props p ON p.id = c.prop_id
                                    WHERE c.counter_id = k.id ORDER BY c.number DESC LIMIT 1), ''),
                   k.board, k.life, k.prop_index, g.first, g.last, g.reason, g.noticed_ns
            FROM gaps g JOIN counters k ON k.id = g.counter_id
            ORDER BY k.board, k.prop_index, k.id, g.first
        """)
        return [GapRow._make(row) for row in rows]

    def counters(self) -> dict[CounterKey, Counter]:
        """How far each prop's cycle numbers are known, by (board, life, prop index)."""
        return counters(self._db)

    def service(self, prop: str | None = None, part: str | None = None) -> list[ServiceRow]:
        """Work on parts, oldest first, of one prop or part if asked."""
        rows = self._db.execute(
            f"{_SERVICE} WHERE (?1 IS NULL OR p.name = ?1) AND (?2 IS NULL OR c.part = ?2)"
            " ORDER BY c.seq",
            (prop, part),
        )
        found = []
        for row in map(list, rows):
            row[7] = {} if row[7] == "{}" else json.loads(row[7])
            row[12] = tuple(json.loads(row[12])) if row[12] else None
            found.append(ServiceRow._make(row))
        return found

    def parts(self) -> list[PartRow]:
        """Every part that was ever worked on, with what it has done since.

        Entries that were corrected count as corrected; what was only read off counts for nothing.
        """
        newest = {
            (row.prop, row.motion, row.part): row
            for row in settled(self.service())
            if row.kind != ServiceKind.READING
        }
        cycles = dict(
            self._db.execute(
                "SELECT p.name, m.cycles FROM prop_meters m JOIN props p ON p.id = m.prop_id"
            ).fetchall()
        )
        strokes = self.motion_strokes()
        return [
            PartRow(
                row,
                cycles.get(row.prop, 0) - row.prop_cycles,
                strokes[row.prop, row.motion] - (row.strokes or 0)
                if (row.prop, row.motion) in strokes
                else None,
            )
            for row in newest.values()
        ]

    def motion_strokes(self) -> dict[tuple[str, str], int]:
        """Strokes for life by (prop, motion), through every change of board."""
        rows = self._db.execute(
            "SELECT p.name, m.motion, m.strokes FROM motion_meters m"
            " JOIN props p ON p.id = m.prop_id"
        )
        return {(row[0], row[1]): row[2] for row in rows}

    def strokes(self) -> list[StrokeRow]:
        """Strokes of each output night by night, as the boards count them."""
        rows = self._db.execute("""
            SELECT m.board, m.life, m.output, m.night_id, coalesce(p.name, ''), m.motion,
                   m.first_strokes, m.strokes, m.wall_ns
            FROM stroke_meters m LEFT JOIN props p ON p.id = m.prop_id
            ORDER BY m.board, m.output, m.life, m.seq
        """)
        return [StrokeRow(*row) for row in rows]

    def counts(self, night_id: int | None = None) -> dict[str, PropCounts]:
        """Counts by prop, of one night (0: between nights) or for life, from the rollups."""
        by_trigger: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        by_outcome: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        by_reason: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        duration_ms: dict[str, int] = defaultdict(int)
        last: dict[str, tuple[int, int]] = {}
        for name, trigger, outcome, cycles, duration, seq, wall_ns in self._db.execute(
            "SELECT p.name, c.trigger, c.outcome, c.cycles, c.duration_ms, c.last_seq, c.last_ns"
            " FROM night_cycles c JOIN props p ON p.id = c.prop_id"
            " WHERE ?1 IS NULL OR c.night_id = ?1",
            (night_id,),
        ):
            by_trigger[name][trigger] += cycles
            by_outcome[name][outcome] += cycles
            duration_ms[name] += duration
            last[name] = max(last.get(name, (0, 0)), (seq, wall_ns))
        for name, reason, missed in self._db.execute(
            "SELECT p.name, m.reason, m.missed FROM night_missed m JOIN props p ON p.id = m.prop_id"
            " WHERE ?1 IS NULL OR m.night_id = ?1",
            (night_id,),
        ):
            by_reason[name][reason] += missed
        return {
            name: PropCounts(
                cycles=sum(by_trigger[name].values()),
                by_trigger=dict(by_trigger[name]),
                by_outcome=dict(by_outcome[name]),
                missed=sum(by_reason[name].values()),
                missed_by_reason=dict(by_reason[name]),
                duration_ms=duration_ms[name],
                last_ns=last[name][1] if name in last else None,
            )
            for name in sorted(by_trigger.keys() | by_reason.keys())
        }

    def _stream(
        self, table: str, select: str, wanted: Filter, also: dict[str, str | None]
    ) -> Iterator[tuple[Any, ...]]:
        clauses: list[str] = []
        values: list[object] = []
        if wanted.nights is not None:
            clauses.append(f"c.night_id IN ({', '.join('?' * len(wanted.nights))})")
            values.extend(wanted.nights)
        if wanted.prop is not None:
            if table == "events":
                clauses.append("c.subject = ?")
            else:
                clauses.append("c.prop_id = (SELECT id FROM props WHERE name = ?)")
            values.append(wanted.prop)
        for column, value in also.items():
            if value is not None:
                clauses.append(f"{column} = ?")
                values.append(value)
        where = " AND ".join(["c.seq > ?", "c.seq <= ?", *clauses])
        # What arrives while the rows are taken is not part of this answer.
        (end,) = self._db.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()
        after = self._start(table, where, wanted, end, values)
        while True:
            page: Sequence[tuple[Any, ...]] = self._db.execute(
                f"{select} WHERE {where} ORDER BY c.seq LIMIT {_PAGE}", (after, end, *values)
            ).fetchall()
            yield from page
            if len(page) < _PAGE:
                return
            after = page[-1][0]

    def _start(
        self, table: str, where: str, wanted: Filter, end: int, values: Sequence[object]
    ) -> object:
        """The `seq` after which the answer begins, so that only the newest so many are left."""
        if wanted.newest is None:
            return wanted.after_seq
        (first,) = self._db.execute(
            f"SELECT min(seq) FROM (SELECT c.seq FROM {table} c WHERE {where}"
            " ORDER BY c.seq DESC LIMIT ?)",
            (wanted.after_seq, end, *values, wanted.newest),
        ).fetchone()
        return wanted.after_seq if first is None else first - 1
