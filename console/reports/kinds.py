"""What a section of a report is: its columns, and the query that its figures come from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

Value = str | int | float | None
"""What a cell holds."""


class Kind(StrEnum):
    """What a column holds."""

    TEXT = "text"
    DAY = "day"  # ISO 8601
    COUNT = "count"
    TIME = "time"  # a wall clock in ns
    SECONDS = "s"
    MS = "ms"
    RATE = "per hour"
    PSI = "psi"
    SCF = "scf"
    SHARE = "share"  # 0 to 1
    NUMBER = "number"


RIGHT = frozenset(Kind) - {Kind.TEXT, Kind.DAY, Kind.TIME}
"""What stands at the right of its column."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: the name it has in the query and in data files, what people read, its kind."""

    name: str
    title: str
    kind: Kind = Kind.TEXT


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a report. `bars` names the columns of label and length for a plot.

    `how` is empty where `sql` gives the rows themselves. Where they are worked out, `sql` gives
    what they are worked out from, and `how` says by which formula and which command says the same;
    `{site}`, `{ledger}` and `{night}` stand for what that command needs.
    """

    id: str
    title: str
    columns: tuple[Column, ...]
    sql: str
    empty: str
    bars: tuple[str, str] | None = None
    how: str = ""


THESE = "IN (SELECT value FROM json_each(:nights))"
"""Of a night's id: whether it is one of the report's."""
