"""The ledger as it stood when a night ended, for what upkeep asks.

Rollups hold sums of nights, so what later nights added is left out or taken off again. What boards
counted between nights has no time of its own: it is split in the proportion of the cycles there.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Self

from console.errors import UserError
from console.ledger.opening import open_for_reading
from console.ledger.rows import ServiceRow
from console.ledger.upkeep import UpkeepReader

# Temporary views go before the tables of the same name, so whatever upkeep asks of these tables is
# answered from the nights up to that one. `prop_meters` and `motion_meters` hold only the columns
# that can be told for a moment that is past.
_VIEWS = (
    "CREATE TEMP VIEW nights AS SELECT * FROM main.nights WHERE opened_seq <= {opened_seq}",
    *(
        f"CREATE TEMP VIEW {table} AS SELECT * FROM main.{table} WHERE night_id IN"
        " (SELECT id FROM main.nights WHERE opened_seq <= {opened_seq})"
        for table in ("night_cycles", "night_missed", "stroke_meters", "run_times")
    ),
    """
    CREATE TEMP TABLE split AS
    SELECT prop_id, count(*) AS cycles, count(*) FILTER (WHERE started_ns > {closed_ns}) AS late
    FROM main.cycles WHERE night_id = 0 GROUP BY prop_id
    """,
    """
    CREATE TEMP TABLE prop_meters AS
    SELECT m.prop_id, m.cycles - coalesce(l.cycles, 0) - coalesce(s.late, 0) AS cycles
    FROM main.prop_meters m
    LEFT JOIN (SELECT prop_id, sum(cycles) AS cycles FROM main.night_cycles WHERE night_id IN
                   (SELECT id FROM main.nights WHERE opened_seq > {opened_seq})
               GROUP BY prop_id) l ON l.prop_id = m.prop_id
    LEFT JOIN split s ON s.prop_id = m.prop_id
    """,
    """
    CREATE TEMP TABLE motion_meters AS
    SELECT m.prop_id, m.motion, max(0, m.strokes - coalesce(l.strokes, 0)) AS strokes
    FROM main.motion_meters m
    LEFT JOIN (
        SELECT a.prop_id, a.motion, CAST(round(sum((a.strokes - a.first_strokes) * iif(
                   a.night_id = 0, coalesce(1.0 * s.late / s.cycles, a.wall_ns > {closed_ns}),
                   1))) AS INTEGER) AS strokes
        FROM main.stroke_meters a LEFT JOIN split s ON s.prop_id = a.prop_id
        WHERE a.night_id = 0 OR a.night_id IN
              (SELECT id FROM main.nights WHERE opened_seq > {opened_seq})
        GROUP BY a.prop_id, a.motion
    ) l ON l.prop_id = m.prop_id AND l.motion = m.motion
    """,
)


class LookBack(UpkeepReader):
    """What upkeep asks, answered as of the end of one night.

    Work counts by when it was done, as it is held true now: a service of later days is left out,
    one of before that was noted late is not. Cycles, events and travel times are not held back.
    """

    def __init__(self, connection: sqlite3.Connection, night_id: int) -> None:
        """Shadows tables of this connection for good. Raises UserError for a night still open."""
        super().__init__(connection)
        row = connection.execute(
            "SELECT opened_seq, closed_ns FROM main.nights WHERE id = ?", (night_id,)
        ).fetchone()
        if row is None or row[1] is None:
            raise UserError(
                f"the ledger has no night {night_id} that has ended", "Name one that has."
            )
        opened_seq, self.ended_ns = map(int, row)
        for statement in _VIEWS:
            connection.execute(statement.format(opened_seq=opened_seq, closed_ns=self.ended_ns))

    @classmethod
    def open_at(cls, path: Path, night_id: int) -> Self:
        """Look at the ledger at `path` from the end of a night. Raises UserError."""
        connection = open_for_reading(path)
        try:
            return cls(connection, night_id)
        except BaseException:
            connection.close()
            raise

    def work(self) -> list[ServiceRow]:
        """Work on parts that had been done by then, in the order in which it was done."""
        return [row for row in super().work() if row.wall_ns <= self.ended_ns]
