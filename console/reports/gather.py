"""Runs the queries of a report and keeps what they said."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from console.errors import UserError
from console.ledger.opening import open_for_reading
from console.reports.sections import SECTIONS, Kind, Section

Value = str | int | float | None


@dataclass(frozen=True, slots=True)
class Filled:
    """A section with its rows; each row has one value a column, in their order."""

    section: Section
    rows: tuple[tuple[Value, ...], ...]

    def column(self, name: str) -> int:
        """The place of a column."""
        return [c.name for c in self.section.columns].index(name)


@dataclass(frozen=True, slots=True)
class Report:
    """What the nights `night_ids` came to. `made_ns` is when it was put together."""

    title: str
    ledger: Path
    night_ids: tuple[int, ...]
    made_ns: int
    zone: tzinfo | None
    sections: tuple[Filled, ...]

    def local(self, wall_ns: int) -> datetime:
        """A wall clock in the site's time zone; in this machine's where the site names none."""
        return datetime.fromtimestamp(wall_ns // 1_000_000_000, UTC).astimezone(self.zone)


def gather(
    ledger: Path, night_ids: tuple[int, ...], title: str, made_ns: int, zone: tzinfo | None
) -> Report:
    """Run every section's query for these nights, all on one state of the ledger.

    Raises UserError where the ledger cannot be read.
    """
    connection = open_for_reading(ledger)
    try:
        connection.execute("BEGIN")
        wanted = {"nights": json.dumps(night_ids)}
        sections = tuple(Filled(s, _rows(connection, s, wanted)) for s in SECTIONS)
    except sqlite3.DatabaseError as error:
        raise UserError(
            f"{ledger} cannot be read: {error}", "Try a backup with --ledger PATH."
        ) from None
    finally:
        connection.close()
    return Report(title, ledger, night_ids, made_ns, zone, sections)


def _rows(
    connection: sqlite3.Connection, section: Section, wanted: dict[str, str]
) -> tuple[tuple[Value, ...], ...]:
    cursor = connection.execute(section.sql, wanted)
    names = [column[0] for column in cursor.description]
    places = [names.index(column.name) for column in section.columns]
    return tuple(tuple(row[place] for place in places) for row in cursor)


def traced(section: Section, night_ids: tuple[int, ...]) -> str:
    """The section's query as any SQL shell runs it on the ledger."""
    lines = [line.strip() for line in section.sql.strip().splitlines()]
    return "\n".join(lines).replace(":nights", f"'{json.dumps(night_ids)}'") + ";"


def shown(value: Value, kind: Kind, report: Report) -> str:
    """A value as people read it; nothing where there is none."""
    if value is None:
        return ""
    match kind:
        case Kind.TIME:
            moment = report.local(int(value))
            return f"{moment:%Y-%m-%d %H:%M:%S %Z}"
        case Kind.SECONDS:
            return _length(float(value))
        case Kind.MS:
            return f"{float(value):.0f} ms"
        case Kind.RATE:
            return f"{float(value):.1f} an hour"
        case Kind.COUNT:
            return f"{int(value)}"
        case _:
            return str(value)


def _length(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.2f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"
