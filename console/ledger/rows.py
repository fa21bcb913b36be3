"""What readers get out of the ledger: frozen rows with names in place of ids.

Wall clocks (`…_ns`) are nanoseconds since 1970 in UTC. `seq` is the place in the order of arrival,
one row of numbers over all kinds. `night_id` is 0 and `date` empty for what came between nights.
Rows are named tuples, since a look makes thousands of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from console.ledger.entries import Travel


@dataclass(frozen=True, slots=True)
class Filter:
    """Which rows are wanted. What is None or empty takes everything.

    `newest` keeps the last so many of them. `outcome` and `trigger` count for cycles, `reason` and
    `source` for missed triggers, `kind` for events.
    """

    nights: tuple[int, ...] | None = None
    prop: str | None = None
    outcome: str | None = None
    trigger: str | None = None
    reason: str | None = None
    source: str | None = None
    kind: str | None = None
    after_seq: int = 0
    newest: int | None = None


class NightRow(NamedTuple):
    """One night with its sums. `closed_ns` is None while it is open."""

    night_id: int
    date: str
    opened_ns: int
    opened_by: str
    closed_ns: int | None
    closed_by: str | None
    left_open: bool
    cycles: int
    missed: int


class CycleRow(NamedTuple):
    """One cycle."""

    seq: int
    night_id: int
    date: str
    prop: str
    sequence: str
    trigger: str
    outcome: str
    started_ns: int
    bound_ms: float
    duration_ms: int
    travels: tuple[Travel, ...]
    board: str
    life: int
    prop_index: int
    number: int
    boot: int
    board_ms: int


class MissedRow(NamedTuple):
    """One missed trigger."""

    seq: int
    night_id: int
    date: str
    prop: str
    source: str
    reason: str
    wall_ns: int
    board: str


class EventRow(NamedTuple):
    """One event, with its detail as plain JSON values."""

    seq: int
    night_id: int
    date: str
    kind: str
    subject: str
    detail: Mapping[str, object]
    wall_ns: int
    by: str
    board: str


class GapRow(NamedTuple):
    """Cycles known to have happened and not stored: `first` to `last`, both included.

    `prop` is the name that its other cycles carry, empty where none is stored.
    """

    seq: int
    prop: str
    board: str
    life: int
    prop_index: int
    first: int
    last: int
    reason: str
    noticed_ns: int


class ServiceRow(NamedTuple):
    """Work on a part, with the meters at that moment; `strokes` is None where nobody counted.

    `about`, `other` and `recorded_ns` are those of `entries.ServiceEntry`; rows of the first schema
    were recorded at `wall_ns`.
    """

    seq: int
    part: str
    prop: str
    motion: str
    kind: str
    by: str
    note: str
    readings: Mapping[str, object]
    wall_ns: int
    prop_cycles: int
    strokes: int | None
    task: str = ""
    other: tuple[str, str, str] | None = None
    about: int | None = None
    recorded_ns: int = 0


@dataclass(frozen=True, slots=True)
class PartRow:
    """What a part has done since the newest work on it."""

    last: ServiceRow
    cycles_since: int
    strokes_since: int | None


@dataclass(frozen=True, slots=True)
class PropCounts:
    """Counts of one prop, in one night or for life. `last_ns` is None without a cycle."""

    cycles: int
    by_trigger: Mapping[str, int]
    by_outcome: Mapping[str, int]
    missed: int
    missed_by_reason: Mapping[str, int]
    duration_ms: int
    last_ns: int | None


@dataclass(frozen=True, slots=True)
class StrokeRow:
    """One output's strokes as its board counts them, at the end of one night."""

    board: str
    life: int
    output: int
    night_id: int
    prop: str
    motion: str
    first_strokes: int
    strokes: int
    wall_ns: int
