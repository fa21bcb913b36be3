"""Saves what can be read out of a damaged ledger into a new one whose sums hold again.

Rows are copied one run at a time around what cannot be read. Names that were lost are replaced by
`lost-N`; cycles that were lost become gaps; every sum is computed anew from the rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from console.errors import UserError
from console.ledger.opening import open_for_writing

_BY_ROWID = (
    "nights", "props", "sequences", "counters", "cycles", "missed", "events", "service",
    "boot_maps", "stroke_meters", "surroundings",
)  # fmt: skip
_WHOLE = ("motion_meters", "run_times")
_PAGE = 256
_FARTHEST = 1 << 40
LOST_REASON = "lost with a damaged ledger"

_MEND = (
    "INSERT OR IGNORE INTO props (id, name)"
    " SELECT DISTINCT prop_id, 'lost-' || prop_id FROM cycles"
    " UNION SELECT DISTINCT prop_id, 'lost-' || prop_id FROM missed"
    " UNION SELECT DISTINCT prop_id, 'lost-' || prop_id FROM service"
    " UNION SELECT DISTINCT prop_id, 'lost-' || prop_id FROM stroke_meters"
    " WHERE prop_id IS NOT NULL"
    " UNION SELECT DISTINCT prop_id, 'lost-' || prop_id FROM motion_meters",
    "INSERT OR IGNORE INTO sequences (id, name)"
    " SELECT DISTINCT sequence_id, 'lost-' || sequence_id FROM cycles",
    "INSERT OR IGNORE INTO counters"
    " (id, board, life, prop_index, contact, highest, baseline, stored, missing)"
    " SELECT counter_id, 'lost-' || counter_id, 0, 1, min(number) - 1, min(number) - 1,"
    " min(number) - 1, 0, 0 FROM cycles GROUP BY counter_id",
    "INSERT OR IGNORE INTO nights (id, date, opened_seq, opened_ns, opened_by, closed_seq,"
    " closed_ns, closed_by, left_open)"
    " SELECT night_id, strftime('%Y-%m-%d', min(started_ns) / 1e9, 'unixepoch'), min(seq),"
    " min(started_ns), 'lost', max(seq), max(started_ns), 'lost', 1"
    " FROM cycles WHERE night_id > 0 GROUP BY night_id",
)

_GAPS = """
    INSERT INTO gaps (seq, counter_id, first, last, reason, noticed_ns)
    SELECT :last_seq + row_number() OVER (), counter_id, first, last, :reason, :now_ns
    FROM (
        SELECT counter_id, number + 1 AS first,
               lead(number, 1, above) OVER (PARTITION BY counter_id ORDER BY number) - 1 AS last
        FROM (
            SELECT c.counter_id, c.number, max(k.highest, m.newest) + 1 AS above
            FROM cycles c JOIN counters k ON k.id = c.counter_id
            JOIN (SELECT counter_id, max(number) AS newest FROM cycles GROUP BY counter_id) m
                 ON m.counter_id = c.counter_id
            WHERE c.number > k.contact
            UNION ALL
            SELECT k.id, k.contact, max(k.highest, coalesce(
                (SELECT max(number) FROM cycles c WHERE c.counter_id = k.id), 0)) + 1
            FROM counters k
        )
    ) WHERE last >= first
"""

_SUMS = (
    # One statement sets all four, so that the promise of the table holds throughout.
    """
    UPDATE counters SET (highest, baseline, stored, missing) = (
        SELECT max(k.highest, coalesce(max(c.number), 0)),
               k.contact - coalesce(sum(c.number <= k.contact), 0),
               count(c.number),
               coalesce((SELECT sum(g.last - g.first + 1) FROM gaps g WHERE g.counter_id = k.id), 0)
        FROM counters k LEFT JOIN cycles c ON c.counter_id = k.id WHERE k.id = counters.id
    )
    """,
    """
    INSERT INTO night_cycles
    SELECT night_id, prop_id, trigger, outcome, count(*), sum(duration_ms), max(seq),
           max(started_ns)
    FROM cycles GROUP BY night_id, prop_id, trigger, outcome
    """,
    """
    INSERT INTO night_missed
    SELECT night_id, prop_id, source, reason, count(*), max(seq), max(wall_ns)
    FROM missed GROUP BY night_id, prop_id, source, reason
    """,
    """
    INSERT INTO prop_meters
    SELECT p.id, coalesce(c.cycles, 0), coalesce(c.ms, 0),
           (SELECT count(*) FROM missed m WHERE m.prop_id = p.id),
           coalesce(c.last_seq, 0), coalesce(c.last_ns, 0)
    FROM props p LEFT JOIN (
        SELECT prop_id, count(*) AS cycles, sum(duration_ms) AS ms, max(seq) AS last_seq,
               max(started_ns) AS last_ns
        FROM cycles GROUP BY prop_id
    ) c ON c.prop_id = p.id
    """,
)


@dataclass(frozen=True, slots=True)
class Saved:
    """Rows saved by table, and how many places could not be read."""

    rows: dict[str, int]
    unreadable: int
    missing_cycles: int


def salvage(damaged: Path, target: Path, now_ns: int) -> Saved:
    """Copy what can be read of `damaged`, which is not touched, into a new ledger.

    Raises UserError where nothing can be read, or where `target` exists.
    """
    if target.exists():
        raise UserError(f"{target} is there already", "Name a new file.")
    if not damaged.is_file():
        raise UserError(f"there is no file {damaged}", "Name the damaged ledger.")
    source = sqlite3.connect(
        f"file:{quote(str(damaged.absolute()))}?mode=ro", uri=True, isolation_level=None
    )
    source.text_factory = lambda raw: raw.decode("utf-8", "replace")
    connection, lock = open_for_writing(target)
    try:
        saved = _copy_all(source, connection, now_ns)
    except sqlite3.DatabaseError as error:
        connection.close()
        lock.release()
        target.unlink(missing_ok=True)
        raise UserError(
            f"nothing can be read from {damaged}: {error}", "Go back to the newest backup."
        ) from None
    finally:
        source.close()
    connection.close()
    lock.release()
    return saved


def _copy_all(source: sqlite3.Connection, target: sqlite3.Connection, now_ns: int) -> Saved:
    known = {row[0] for row in source.execute("SELECT name FROM sqlite_schema")}
    target.execute("PRAGMA foreign_keys = OFF")
    target.execute("BEGIN IMMEDIATE")
    rows: dict[str, int] = {}
    unreadable = 0
    for table in (*_BY_ROWID, *_WHOLE):
        if table not in known:
            continue
        columns = _columns(source, target, table)
        by_rowid = table in _BY_ROWID
        reader = _runs(source, table, columns) if by_rowid else _whole(source, table, columns)
        rows[table] = 0
        for run in reader:
            if run is None:
                unreadable += 1
                continue
            rows[table] += _put(target, table, columns, run, by_rowid=by_rowid)
    if not any(rows.values()):
        raise sqlite3.DatabaseError("no table holds a readable row")
    for statement in _MEND:
        target.execute(statement)
    last_seq = target.execute(
        "SELECT max(coalesce((SELECT max(seq) FROM cycles), 0),"
        " coalesce((SELECT max(seq) FROM events), 0), coalesce((SELECT max(seq) FROM missed), 0),"
        " coalesce((SELECT max(coalesce(closed_seq, opened_seq)) FROM nights), 0))"
    ).fetchone()[0]
    target.execute(_GAPS, {"last_seq": last_seq, "reason": LOST_REASON, "now_ns": now_ns})
    for statement in _SUMS:
        target.execute(statement)
    missing = target.execute("SELECT coalesce(sum(missing), 0) FROM counters").fetchone()[0]
    target.execute("COMMIT")
    return Saved(rows, unreadable, int(missing))


def _columns(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> list[str]:
    """The columns that both have: the damaged ledger may be of an older schema."""
    had = {row[1] for row in source.execute(f"PRAGMA table_info({table})")}
    return [row[1] for row in target.execute(f"PRAGMA table_info({table})") if row[1] in had]


Row = tuple[object, ...]
Runs = Iterator[list[Row] | None]
"""Runs of rows, with None for each place that cannot be read."""


def _whole(source: sqlite3.Connection, table: str, columns: list[str]) -> Runs:
    try:
        yield source.execute(f"SELECT {', '.join(columns)} FROM {table}").fetchall()
    except sqlite3.DatabaseError:
        yield None


def _runs(source: sqlite3.Connection, table: str, columns: list[str]) -> Runs:
    """Upwards by rowid; at a place that cannot be read leap on in doubling steps, then look back
    down to it, so that no more is lost than what lies between."""
    select = f"SELECT {', '.join(['rowid', *columns])} FROM {table}"
    up = f"{select} WHERE rowid > ? ORDER BY rowid LIMIT {_PAGE}"
    down = f"{select} WHERE rowid <= ? ORDER BY rowid DESC LIMIT {_PAGE}"
    low = -1
    while True:
        rows, whole = _page(source, up, low)
        if rows:
            low = _rowid(rows[-1])
            yield rows
        if whole and len(rows) < _PAGE:
            return
        if whole:
            continue
        yield None
        step = 1
        while step < _FARTHEST:
            beyond, whole = _page(source, up, low + step)
            if beyond or whole:
                break
            step *= 2
        yield from _back_to(source, down, low, low + step)
        low += step
        if step >= _FARTHEST:
            return


def _back_to(source: sqlite3.Connection, down: str, low: int, high: int) -> Runs:
    """Rows below `high`, downwards, until one cannot be read or lies at or below `low`."""
    while high > low:
        rows, whole = _page(source, down, high)
        found = [row for row in rows if _rowid(row) > low]
        if found:
            yield found
            high = _rowid(found[-1]) - 1
        if not whole or len(found) < _PAGE:
            return


def _rowid(row: Row) -> int:
    return int(str(row[0]))


def _page(source: sqlite3.Connection, sql: str, at: int) -> tuple[list[Row], bool]:
    """The rows that could be read, and whether that was all of them."""
    rows: list[Row] = []
    try:
        rows.extend(source.execute(sql, (at,)))
    except sqlite3.DatabaseError:
        return rows, False
    return rows, True


def _put(
    target: sqlite3.Connection, table: str, columns: list[str], rows: list[Row], *, by_rowid: bool
) -> int:
    """Insert what fits the table's own rules; returns how many rows did."""
    names = [*(["rowid"] if by_rowid else []), *columns]
    sql = (
        f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    )
    put = 0
    for row in rows:
        try:
            put += target.execute(sql, row).rowcount
        except sqlite3.IntegrityError:
            continue
    return put
