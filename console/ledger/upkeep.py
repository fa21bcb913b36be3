"""What upkeep asks of the ledger: meters, night by night, travels of one motion, work done.

Every answer comes from the rollups or from a bounded stretch of one prop's cycles, so that none
grows with the ledger.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from console.ledger.correcting import settled
from console.ledger.entries import RunKind
from console.ledger.reader import Reader
from console.ledger.rows import ServiceRow

_TRAVELS = "SELECT c.seq, c.night_id, s.name, c.started_ns, c.outcome, c.travels"
_NEWEST_TRAVELS = f"""
    {_TRAVELS}
    FROM cycles c JOIN sequences s ON s.id = c.sequence_id
    WHERE c.prop_id = (SELECT id FROM props WHERE name = ?) AND c.seq > ?
    ORDER BY c.seq DESC LIMIT ?
"""
_FIRST_TRAVELS = f"""
    {_TRAVELS}
    FROM (
        SELECT max(opened_seq, ?2) AS after, coalesce(closed_seq, 1 << 62) AS until FROM nights
        WHERE coalesce(closed_seq, 1 << 62) > ?2 ORDER BY opened_seq LIMIT ?3
    ) n
    JOIN cycles c ON c.seq IN (
        SELECT seq FROM cycles WHERE prop_id = (SELECT id FROM props WHERE name = ?1)
        AND seq > n.after AND seq < n.until ORDER BY seq LIMIT ?4
    )
    JOIN sequences s ON s.id = c.sequence_id
    ORDER BY c.seq
"""


@dataclass(frozen=True, slots=True)
class NightSpan:
    """One night by its times; `closed_ns` is None while it is open."""

    night_id: int
    date: str
    opened_ns: int
    closed_ns: int | None


@dataclass(frozen=True, slots=True)
class Meters:
    """Counts for life: cycles by prop, strokes by (prop, motion)."""

    cycles: dict[str, int]
    strokes: dict[tuple[str, str], int]


class TravelRow(NamedTuple):
    """One cycle with its motions, directions and times; `seq` is its place in order of arrival."""

    seq: int
    night_id: int
    sequence: str
    started_ns: int
    outcome: str
    travels: Sequence[tuple[str, str, float]]


class AirRow(NamedTuple):
    """What the air was like at one moment; None for what nobody measured."""

    wall_ns: int
    psi: float | None
    temp_degf: float | None


class UpkeepReader(Reader):
    """A `Reader` that also answers what upkeep asks."""

    def work(self) -> list[ServiceRow]:
        """Work on parts as it is held true now, in the order in which it was done."""
        return settled(self.service())

    def night_spans(self) -> list[NightSpan]:
        """Every night in the order of opening."""
        rows = self._db.execute(
            "SELECT id, date, opened_ns, closed_ns FROM nights ORDER BY opened_seq"
        )
        return [NightSpan(*row) for row in rows]

    def meters(self) -> Meters:
        """What every prop and motion has done for life."""
        rows = self._db.execute(
            "SELECT p.name, m.cycles FROM prop_meters m JOIN props p ON p.id = m.prop_id"
        )
        return Meters({row[0]: row[1] for row in rows}, self.motion_strokes())

    def night_cycles(self) -> dict[str, dict[int, int]]:
        """Cycles by prop and night; night 0 is what came between nights."""
        found: dict[str, dict[int, int]] = defaultdict(dict)
        for prop, night_id, cycles in self._db.execute(
            "SELECT p.name, c.night_id, c.cycles FROM (SELECT prop_id, night_id, sum(cycles)"
            " AS cycles FROM night_cycles GROUP BY prop_id, night_id) c"
            " JOIN props p ON p.id = c.prop_id"
        ):
            found[prop][night_id] = cycles
        return dict(found)

    def night_strokes(self) -> dict[tuple[str, str], dict[int, int]]:
        """Strokes by (prop, motion) and night, as the boards counted them."""
        found: dict[tuple[str, str], dict[int, int]] = {}
        here: dict[int, int] = {}
        last_prop = last_motion = None
        for prop, motion, night_id, strokes in self._db.execute(
            "SELECT p.name, m.motion, m.night_id, sum(m.strokes - m.first_strokes)"
            " FROM stroke_meters m JOIN props p ON p.id = m.prop_id"
            " GROUP BY m.prop_id, m.motion, m.night_id"
        ):
            if motion != last_motion or prop != last_prop:
                last_prop, last_motion = prop, motion
                here = found.setdefault((prop, motion), {})
            here[night_id] = strokes
        return found

    def run_times(self, kind: RunKind) -> dict[str, dict[int, int]]:
        """Milliseconds of this kind by subject and night."""
        found: dict[str, dict[int, int]] = defaultdict(dict)
        for subject, night_id, ms in self._db.execute(
            "SELECT subject, night_id, ms FROM run_times WHERE kind = ?", (kind,)
        ):
            found[subject][night_id] = ms
        return dict(found)

    def night_missed(self, reason: str) -> dict[str, dict[int, int]]:
        """Missed triggers of one reason by prop and night."""
        found: dict[str, dict[int, int]] = {}
        for prop, night_id, missed in self._db.execute(
            "SELECT p.name, m.night_id, sum(m.missed) FROM night_missed m"
            " JOIN props p ON p.id = m.prop_id WHERE m.reason = ? GROUP BY m.prop_id, m.night_id",
            (reason,),
        ):
            found.setdefault(prop, {})[night_id] = missed
        return found

    def night_events(self, kind: str) -> dict[str, dict[int, int]]:
        """Events of one kind by subject and night."""
        found: dict[str, dict[int, int]] = {}
        for subject, night_id, count in self._db.execute(
            "SELECT subject, night_id, count(*) FROM events WHERE kind = ?"
            " GROUP BY subject, night_id",
            (kind,),
        ):
            found.setdefault(subject, {})[night_id] = count
        return found

    def newest_travels(self, prop: str, seq: int, most: int) -> list[TravelRow]:
        """The newest `most` cycles of a prop that arrived after `seq`, oldest first."""
        rows = self._db.execute(_NEWEST_TRAVELS, (prop, seq, most)).fetchall()
        return _travel_rows(rows[::-1])

    def first_travels(self, prop: str, seq: int, nights: int, most: int) -> list[TravelRow]:
        """The first `most` cycles of a prop in each of so many nights after `seq`, oldest first."""
        rows = self._db.execute(_FIRST_TRAVELS, (prop, seq, nights, most)).fetchall()
        return _travel_rows(rows)

    def air(self, after_ns: int, until_ns: int) -> list[AirRow]:
        """What was measured of the air in a stretch of time, oldest first."""
        rows = self._db.execute(
            "SELECT wall_ns, psi, temp_degf FROM surroundings"
            " WHERE wall_ns > ? AND wall_ns <= ? ORDER BY wall_ns",
            (after_ns, until_ns),
        )
        return [AirRow(*row) for row in rows]

    def seq_at(self, wall_ns: int) -> int:
        """The arrival number from which on things came after `wall_ns`, by the nights around it.

        Work between nights, as most work is, is told exactly; within one, to the night's start.
        """
        row = self._db.execute(
            "SELECT max(closed_seq) FROM nights WHERE closed_ns <= ?", (wall_ns,)
        ).fetchone()
        return int(row[0] or 0)


def _travel_rows(rows: Sequence[tuple[Any, ...]]) -> list[TravelRow]:
    # Parsed in one go: a parser set up for each row costs more than the rows themselves.
    travels = json.loads(f"[{','.join(row[5] for row in rows)}]")
    columns = list(zip(*rows, strict=True))[:5]
    return list(map(TravelRow, *columns, travels)) if rows else []
