"""What the meters of a prop and a motion read at some moment, for work that is noted later."""

from __future__ import annotations

import sqlite3

_SLACK_NS = 60 * 10**9
"""Work noted within a minute is noted at once: the meters as they stand are exact."""


def meters_at(
    connection: sqlite3.Connection, prop_id: int, motion: str, wall_ns: int, now_ns: int = 0
) -> tuple[int, int | None]:
    """The prop's cycles for life and the motion's strokes (None: not counted) at `wall_ns`.

    With `now_ns` later than that, what came after `wall_ns` is taken off again: cycles one by one,
    strokes by nights, and within a night in the proportion of its cycles.
    """
    cycles = _one(connection, "SELECT cycles FROM prop_meters WHERE prop_id = ?", prop_id) or 0
    strokes = _one(
        connection,
        "SELECT strokes FROM motion_meters WHERE prop_id = ? AND motion = ?",
        prop_id,
        motion,
    )
    if now_ns - wall_ns <= _SLACK_NS:
        return cycles, strokes
    # Nights that began later count whole; only those that were on are looked into.
    row = connection.execute(
        "SELECT coalesce(min(id), 0) FROM nights WHERE closed_ns IS NULL OR closed_ns > ?",
        (wall_ns,),
    ).fetchone()
    first = int(row[0]) or 1 << 62
    after: dict[int, tuple[int, int]] = {}
    for night_id, began_later, whole in connection.execute(
        "SELECT n.id, n.opened_ns > ?, sum(c.cycles) FROM nights n JOIN night_cycles c"
        " ON c.night_id = n.id WHERE n.id >= ? AND c.prop_id = ? GROUP BY n.id",
        (wall_ns, first, prop_id),
    ):
        late = whole if began_later else _late(connection, night_id, prop_id, wall_ns)
        after[night_id] = (late, whole)
    between = _late(connection, 0, prop_id, wall_ns)
    cycles -= min(cycles, between + sum(late for late, _ in after.values()))
    if strokes is None:
        return cycles, None
    for night_id, made, reported_ns in connection.execute(
        "SELECT night_id, strokes - first_strokes, wall_ns FROM stroke_meters"
        " WHERE prop_id = ? AND motion = ? AND wall_ns > ?",
        (prop_id, motion, wall_ns),
    ):
        late, whole = after.get(night_id, (1, 1) if reported_ns > wall_ns else (0, 1))
        strokes -= round(made * late / whole) if whole else made
    return cycles, max(strokes, 0)


def _late(connection: sqlite3.Connection, night_id: int, prop_id: int, wall_ns: int) -> int:
    found = connection.execute(
        "SELECT count(*) FROM cycles WHERE night_id = ? AND +prop_id = ? AND started_ns > ?",
        (night_id, prop_id, wall_ns),
    ).fetchone()
    return int(found[0])


def _one(connection: sqlite3.Connection, sql: str, *values: object) -> int | None:
    row = connection.execute(sql, values).fetchone()
    return None if row is None else int(row[0])
