"""Writes entries into the tables, with the rollups and meters that follow from them.

Everything here runs inside a transaction that `ledger.py` begins and ends.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import assert_never

from console.ledger.entries import (
    Appended,
    BoardSeen,
    BootMap,
    CycleEntry,
    Entry,
    EventEntry,
    GapEntry,
    MissedTrigger,
    NightClosed,
    NightOpened,
    OpenNight,
    RunTime,
    ServiceEntry,
    ServiceKind,
    StrokeMeters,
    Surroundings,
)
from console.ledger.metering import meters_at
from console.ledger.numbering import Numbering
from console.ledger.schema import SEQ_COLUMNS

_BETWEEN_NIGHTS = 0


class Appender:
    """One transaction's worth of appending; made anew for each, so a rollback leaves no memory."""

    def __init__(self, connection: sqlite3.Connection, last_seq: int) -> None:
        self._db = connection
        self.last_seq = last_seq
        self._night = open_night(connection)
        self._numbering = Numbering(connection, self._next_seq)
        self._ids: dict[tuple[str, str], int] = {}
        self._stored = 0
        self._duplicates = 0
        self._conflicts = 0

    def append(self, entries: Sequence[Entry]) -> Appended:
        """Write one batch; what it did is told apart from the batches before it."""
        self._stored = self._duplicates = self._conflicts = 0
        self._numbering.opened.clear()
        for entry in entries:
            self._append(entry)
        return Appended(
            stored=self._stored,
            duplicates=self._duplicates,
            conflicts=self._conflicts,
            opened_gaps=tuple(self._numbering.opened),
            night=self._night,
            last_seq=self.last_seq,
        )

    def _append(self, entry: Entry) -> None:
        match entry:
            case CycleEntry():
                self._cycle(entry)
            case MissedTrigger():
                self._missed(entry)
            case EventEntry():
                self._event(entry)
            case BootMap():
                self._boot_map(entry)
            case StrokeMeters():
                self._strokes(entry)
            case BoardSeen():
                self._numbering.seen(entry)
            case GapEntry():
                self._numbering.lost(entry)
            case ServiceEntry():
                self._service(entry)
            case NightOpened():
                self._open_night(entry)
            case NightClosed():
                self._close_night(entry.wall_ns, entry.by, left_open=False)
            case RunTime():
                self._run_time(entry)
            case Surroundings():
                self._surroundings(entry)
            case _:
                assert_never(entry)

    def _next_seq(self) -> int:
        self.last_seq += 1
        return self.last_seq

    def _id_of(self, table: str, name: str) -> int:
        """The id of a prop or sequence by name, made when it is new."""
        known = self._ids.get((table, name))
        if known is None:
            self._db.execute(f"INSERT OR IGNORE INTO {table} (name) VALUES (?)", (name,))
            row = self._db.execute(f"SELECT id FROM {table} WHERE name = ?", (name,)).fetchone()
            known = self._ids[table, name] = int(row[0])
        return known

    def _open_night(self, entry: NightOpened) -> None:
        if self._night is not None:
            self._close_night(entry.wall_ns, entry.by, left_open=True)
        date = entry.date or datetime.fromtimestamp(entry.wall_ns // 10**9).date().isoformat()
        self._db.execute(
            "INSERT INTO nights (date, opened_seq, opened_ns, opened_by) VALUES (?, ?, ?, ?)",
            (date, self._next_seq(), entry.wall_ns, entry.by),
        )
        self._stored += 1
        self._night = open_night(self._db)

    def _close_night(self, wall_ns: int, by: str, *, left_open: bool) -> None:
        if self._night is None:
            return
        self._db.execute(
            "UPDATE nights SET closed_seq = ?, closed_ns = ?, closed_by = ?, left_open = ?"
            " WHERE id = ?",
            (self._next_seq(), wall_ns, by, left_open, self._night.night_id),
        )
        self._stored += 1
        self._night = None

    def _night_of(self, wall_ns: int, bound_ms: float) -> int:
        """The night in which something that a board reports happened.

        A report can be a night late, so the wall clock is asked first. Where no closed night fits,
        what arrives belongs to the open one: a clock set back must not empty a night.
        """
        slack_ns = int(bound_ms * 1e6)
        if self._night is not None and wall_ns + slack_ns >= self._night.opened_wall_ns:
            return self._night.night_id
        row = self._db.execute(
            "SELECT id FROM nights WHERE opened_ns <= ? AND closed_ns >= ?"
            " ORDER BY id DESC LIMIT 1",
            (wall_ns + slack_ns, wall_ns - slack_ns),
        ).fetchone()
        if row is not None:
            return int(row[0])
        return self._night.night_id if self._night else _BETWEEN_NIGHTS

    def _cycle(self, entry: CycleEntry) -> None:
        counter_id = self._numbering.counter_of(entry)
        was = self._db.execute(
            "SELECT boot, board_ms, duration_ms, trigger, outcome FROM cycles"
            " WHERE counter_id = ? AND number = ?",
            (counter_id, entry.number),
        ).fetchone()
        if was is not None:
            self._duplicates += 1
            given = (
                entry.boot, entry.board_ms, entry.duration_ms, str(entry.trigger),
                str(entry.outcome),
            )  # fmt: skip
            if was != given:
                self._conflict(entry, was, given)
            return
        night_id = self._night_of(entry.started_wall_ns, entry.bound_ms)
        prop_id = self._id_of("props", entry.prop)
        self._numbering.stored(entry, counter_id)
        seq = self._next_seq()
        self._db.execute(
            "INSERT INTO cycles (seq, counter_id, number, night_id, prop_id, sequence_id, trigger,"
            " outcome, started_ns, bound_ms, boot, board_ms, duration_ms, travels)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                seq,
                counter_id,
                entry.number,
                night_id,
                prop_id,
                self._id_of("sequences", entry.sequence),
                entry.trigger,
                entry.outcome,
                entry.started_wall_ns,
                entry.bound_ms,
                entry.boot,
                entry.board_ms,
                entry.duration_ms,
                json.dumps(entry.travels, separators=(",", ":")),
            ),
        )
        self._stored += 1
        self._db.execute(
            "INSERT INTO night_cycles VALUES (?, ?, ?, ?, 1, ?, ?, ?)"
            " ON CONFLICT DO UPDATE SET cycles = cycles + 1,"
            " duration_ms = duration_ms + excluded.duration_ms,"
            " last_seq = excluded.last_seq, last_ns = excluded.last_ns",
            (
                night_id, prop_id, entry.trigger, entry.outcome, entry.duration_ms, seq,
                entry.started_wall_ns,
            ),
        )  # fmt: skip
        self._db.execute(
            "INSERT INTO prop_meters VALUES (?, 1, ?, 0, ?, ?)"
            " ON CONFLICT DO UPDATE SET cycles = cycles + 1,"
            " duration_ms = duration_ms + excluded.duration_ms,"
            " last_seq = excluded.last_seq, last_ns = excluded.last_ns",
            (prop_id, entry.duration_ms, seq, entry.started_wall_ns),
        )

    def _conflict(
        self, entry: CycleEntry, was: tuple[object, ...], given: tuple[object, ...]
    ) -> None:
        """Keep what a board now says about a number that it used before.

        It happens when somebody copies a board's memory, and would lose a cycle in silence.
        """
        self._conflicts += 1
        self._event(
            EventEntry(
                kind="conflict",
                subject=entry.prop,
                detail={
                    "board": entry.board,
                    "life": entry.life,
                    "prop_index": entry.prop_index,
                    "number": entry.number,
                    "stored": list(was),
                    "given": list(given),
                },
                wall_ns=entry.started_wall_ns,
            )
        )

    def _missed(self, entry: MissedTrigger) -> None:
        if self._known("missed", entry.board, entry.boot, entry.event_number):
            return
        night_id = self._night_of_report(entry)
        prop_id = self._id_of("props", entry.prop)
        seq = self._next_seq()
        self._db.execute(
            "INSERT INTO missed VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                seq, night_id, prop_id, entry.board, entry.source, entry.reason, entry.wall_ns,
                entry.boot, entry.event_number,
            ),
        )  # fmt: skip
        self._stored += 1
        self._db.execute(
            "INSERT INTO night_missed VALUES (?, ?, ?, ?, 1, ?, ?)"
            " ON CONFLICT DO UPDATE SET missed = missed + 1,"
            " last_seq = excluded.last_seq, last_ns = excluded.last_ns",
            (night_id, prop_id, entry.source, entry.reason, seq, entry.wall_ns),
        )
        self._db.execute(
            "INSERT INTO prop_meters VALUES (?, 0, 0, 1, 0, 0)"
            " ON CONFLICT DO UPDATE SET missed = missed + 1",
            (prop_id,),
        )

    def _event(self, entry: EventEntry) -> None:
        if self._known("events", entry.board, entry.boot, entry.event_number):
            return
        night_id = self._night_of_report(entry)
        self._db.execute(
            "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                self._next_seq(), night_id, entry.kind, entry.subject, plain_json(entry.detail),
                entry.wall_ns, entry.by, entry.board, entry.boot, entry.event_number,
            ),
        )  # fmt: skip
        self._stored += 1

    def _known(self, table: str, board: str, boot: int | None, number: int | None) -> bool:
        """Whether this report of a board is stored; counts it as a duplicate if so."""
        if boot is None or number is None:
            return False
        found = self._db.execute(
            f"SELECT 1 FROM {table} WHERE board = ? AND boot = ? AND event_number = ?",
            (board, boot, number),
        ).fetchone()
        if found is None:
            return False
        self._duplicates += 1
        return True

    def _night_of_report(self, entry: MissedTrigger | EventEntry) -> int:
        """A board may report late; what the engine noticed itself belongs to now."""
        if entry.event_number is None:
            return self._night_now()
        return self._night_of(entry.wall_ns, 0.0)

    def _night_now(self) -> int:
        return self._night.night_id if self._night else _BETWEEN_NIGHTS

    def _service(self, entry: ServiceEntry) -> None:
        root = self._root_of(entry.about)
        places = [((entry.prop, entry.motion, entry.part), entry.other)]
        if entry.other is not None and entry.kind == ServiceKind.MOVED:
            places.append((entry.other, (entry.prop, entry.motion, entry.part)))
        for (prop, motion, part), other in places:
            prop_id = self._id_of("props", prop)
            cycles, strokes = meters_at(
                self._db, prop_id, motion, entry.wall_ns, entry.recorded_wall_ns
            )
            self._db.execute(
                "INSERT INTO service VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._next_seq(), self._night_now(), part, prop_id, motion, entry.kind,
                    entry.by, entry.note, plain_json(entry.readings), entry.wall_ns, cycles,
                    strokes, entry.task, json.dumps(other) if other else None, root,
                    entry.recorded_wall_ns or entry.wall_ns,
                ),
            )  # fmt: skip
            self._stored += 1

    def _root_of(self, seq: int | None) -> int | None:
        """The entry that was corrected first, so that every correction of it is found in one go."""
        row = self._db.execute("SELECT about FROM service WHERE seq = ?", (seq,)).fetchone()
        return seq if row is None or row[0] is None else int(row[0])

    def _run_time(self, entry: RunTime) -> None:
        self._db.execute(
            "INSERT INTO run_times VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
            " ms = ms + excluded.ms, last_seq = excluded.last_seq, last_ns = excluded.last_ns",
            (
                self._night_now(), entry.kind, entry.subject, entry.ms, self._next_seq(),
                entry.wall_ns,
            ),
        )  # fmt: skip
        self._stored += 1

    def _surroundings(self, entry: Surroundings) -> None:
        self._db.execute(
            "INSERT INTO surroundings VALUES (?, ?, ?, ?, ?)",
            (self._next_seq(), self._night_now(), entry.wall_ns, entry.psi, entry.temp_degf),
        )
        self._stored += 1

    def _boot_map(self, entry: BootMap) -> None:
        self._db.execute(
            "INSERT OR REPLACE INTO boot_maps VALUES (?, ?, ?, ?, ?, ?)",
            (
                entry.board, entry.boot, self._next_seq(), entry.board_ms, entry.wall_ns,
                entry.bound_ms,
            ),
        )  # fmt: skip
        self._stored += 1

    def _strokes(self, entry: StrokeMeters) -> None:
        (before,) = self._db.execute(
            "SELECT max(strokes) FROM stroke_meters WHERE board = ? AND life = ? AND output = ?",
            (entry.board, entry.life, entry.output),
        ).fetchone()
        if before is not None and entry.strokes < before:
            self._duplicates += 1
            return
        prop_id = self._id_of("props", entry.prop) if entry.prop else None
        self._db.execute(
            "INSERT INTO stroke_meters VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT DO UPDATE SET prop_id = excluded.prop_id, motion = excluded.motion,"
            " strokes = excluded.strokes, seq = excluded.seq, wall_ns = excluded.wall_ns",
            (
                entry.board, entry.life, entry.output, self._night_now(), prop_id, entry.motion,
                entry.strokes if before is None else before, entry.strokes, self._next_seq(),
                entry.wall_ns,
            ),
        )  # fmt: skip
        self._stored += 1
        if prop_id is not None:
            # What the first board had counted before first contact wore these parts; what a board
            # put in later had counted before was the wear of another motion.
            self._db.execute(
                "INSERT INTO motion_meters VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
                " strokes = strokes + ?, last_ns = excluded.last_ns",
                (
                    prop_id, entry.motion, entry.strokes - (before or 0), entry.wall_ns,
                    0 if before is None else entry.strokes - before,
                ),
            )  # fmt: skip


def open_night(connection: sqlite3.Connection) -> OpenNight | None:
    """The night that nobody closed yet."""
    row = connection.execute(
        "SELECT id, date, opened_ns, opened_by FROM nights WHERE closed_seq IS NULL"
    ).fetchone()
    return None if row is None else OpenNight(*row)


def newest_seq(connection: sqlite3.Connection) -> int:
    """The highest arrival number in any table; 0 in an empty ledger."""
    newest = (
        connection.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchone()[0]
        for table, column in SEQ_COLUMNS
    )
    return int(max(newest))


def plain_json(values: Mapping[str, object]) -> str:
    """JSON that any reader takes: no NaN and no infinity, other objects as their text."""
    try:
        return json.dumps(dict(values), separators=(",", ":"), default=str, allow_nan=False)
    except ValueError:
        return json.dumps(_finite(values), separators=(",", ":"), default=str)


def _finite(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value
