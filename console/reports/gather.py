"""Runs the queries of a report, works out what follows from them, and keeps what they said."""

from __future__ import annotations

import json
import shlex
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from console.errors import UserError
from console.ledger.opening import open_for_reading
from console.reports.kinds import Kind, Section, Value
from console.reports.sections import SECTIONS
from console.reports.worked import AIR, COMPRESSOR, DUE, SPARES
from console.site.models import Site

Rows = tuple[tuple[Value, ...], ...]


@dataclass(frozen=True, slots=True)
class SiteFile:
    """The site file that belongs to a ledger. `site` is None where none is known; `why` says so."""

    path: Path | None = None
    site: Site | None = None
    why: str = ""

    @property
    def zone(self) -> tzinfo | None:
        """The site's time zone, None where it names none."""
        return ZoneInfo(self.site.timezone) if self.site and self.site.timezone else None


@dataclass(frozen=True, slots=True)
class Filled:
    """A section with its rows; each row has one value a column, in their order.

    `note` says what the rows are good for. Where nothing could be worked out `known` is False, and
    the note says why. `how` is the section's own with everything filled in.
    """

    section: Section
    rows: Rows
    note: str = ""
    how: str = ""
    known: bool = True

    def column(self, name: str) -> int:
        """The place of a column."""
        return [c.name for c in self.section.columns].index(name)

    @property
    def said(self) -> str:
        """What stands in place of rows where there are none."""
        return self.section.empty if self.known else ""


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
    ledger: Path, night_ids: tuple[int, ...], title: str, made_ns: int, of: SiteFile
) -> Report:
    """Fill every section for these nights, all on one state of the ledger.

    Raises UserError where the ledger cannot be read.
    """
    report = Report(title, ledger, night_ids, made_ns, of.zone, ())
    connection = open_for_reading(ledger)
    try:
        connection.execute("BEGIN")
        found = {s.id: Filled(s, _rows(connection, s, night_ids)) for s in SECTIONS if not s.how}
        found |= _worked_out(connection, report, of)
    except sqlite3.DatabaseError as error:
        raise UserError(
            f"{ledger} cannot be read: {error}", "Try a backup with --ledger PATH."
        ) from None
    finally:
        connection.close()
    sections = tuple(found[section.id] for section in SECTIONS)
    return Report(title, ledger, night_ids, made_ns, of.zone, sections)


def _rows(connection: sqlite3.Connection, section: Section, night_ids: tuple[int, ...]) -> Rows:
    cursor = connection.execute(section.sql, _wanted(night_ids))
    names = [column[0] for column in cursor.description]
    places = [names.index(column.name) for column in section.columns]
    return tuple(tuple(row[place] for place in places) for row in cursor)


def _wanted(night_ids: tuple[int, ...]) -> dict[str, str]:
    return {"nights": json.dumps(night_ids)}


def _worked_out(connection: sqlite3.Connection, report: Report, of: SiteFile) -> dict[str, Filled]:
    """What needs the site file: the air first, since looking back changes what tables hold."""
    if of.site is None:
        return {
            s.id: Filled(s, (), of.why, _how(s, report, of), known=False) for s in SECTIONS if s.how
        }
    return _air(connection, report, of, of.site) | _ahead(connection, report, of, of.site)


def _air(
    connection: sqlite3.Connection, report: Report, of: SiteFile, site: Site
) -> dict[str, Filled]:
    from console.figures.inputs import FigureError
    from console.reports.airused import air_used, night_rows, prop_rows

    wanted = _wanted(report.night_ids)
    by_prop = connection.execute(AIR.sql, wanted).fetchall()
    by_night = connection.execute(COMPRESSOR.sql, wanted).fetchall()
    try:
        used = air_used(site, by_prop)
    except FigureError as error:
        note = f"Not told: {error}. `sexton check` says where in the site file."
        return {
            s.id: Filled(s, (), note, _how(s, report, of), known=False) for s in (AIR, COMPRESSOR)
        }
    total = shown(used.all_scf, Kind.SCF, report)
    said = f"{total} in all, free air at 14.7 psia and 68 degF."
    rows = night_rows(site, used, by_night, report.made_ns)
    return {
        AIR.id: Filled(AIR, prop_rows(used), said, _how(AIR, report, of)),
        COMPRESSOR.id: Filled(COMPRESSOR, rows, "", _how(COMPRESSOR, report, of)),
    }


def _ahead(
    connection: sqlite3.Connection, report: Report, of: SiteFile, site: Site
) -> dict[str, Filled]:
    from console.ledger.lookback import LookBack
    from console.ledger.upkeep import UpkeepReader
    from console.reports import ahead
    from console.upkeep.outlook import Outlook

    ended_ns = connection.execute(
        "SELECT closed_ns FROM nights WHERE id = ?", report.night_ids[-1:]
    ).fetchone()[0]
    if ended_ns is None:
        reader, now_ns = UpkeepReader(connection), report.made_ns
        as_of = f"As of now, {shown(now_ns, Kind.TIME, report)}, with the night still open. "
    else:
        reader, now_ns = LookBack(connection, report.night_ids[-1]), ended_ns
        as_of = f"As of the end of the night, {shown(now_ns, Kind.TIME, report)}. "
    outlook = Outlook(site, reader, now_ns)
    coming, stocks = ahead.coming(outlook), ahead.stocks(outlook)
    return {
        DUE.id: Filled(
            DUE, tuple(map(ahead.due_row, coming)), as_of + ahead.due_note(outlook, coming),
            _how(DUE, report, of),
        ),
        SPARES.id: Filled(
            SPARES, ahead.spares_rows(stocks), as_of + ahead.spares_note(outlook, stocks),
            _how(SPARES, report, of),
        ),
    }  # fmt: skip


def _how(section: Section, report: Report, of: SiteFile) -> str:
    return section.how.format(
        site=shlex.quote(str(of.path)) if of.path else "SITE.yaml",
        ledger=shlex.quote(str(report.ledger)),
        night=report.night_ids[-1],
    )


def traced(section: Section, night_ids: tuple[int, ...]) -> str:
    """The section's query as any SQL shell runs it on the ledger."""
    lines = [line.strip() for line in section.sql.strip().splitlines()]
    return "\n".join(lines).replace(":nights", f"'{json.dumps(night_ids)}'") + ";"


def shown(value: Value, kind: Kind, report: Report) -> str:
    """A value as people read it; nothing where there is none."""
    if value is None:
        return ""
    if kind is Kind.TIME:
        return f"{report.local(int(value)):%Y-%m-%d %H:%M:%S %Z}"
    return _SHOWN[kind](float(value)) if kind in _SHOWN else str(value)


def _length(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.2f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"


def _chance(share: float) -> str:
    return ">99 %" if 0.99 < share < 1 else "<1 %" if 0 < share < 0.01 else f"{share * 100:.0f} %"


_SHOWN: dict[Kind, Callable[[float], str]] = {
    Kind.SECONDS: _length,
    Kind.MS: lambda v: f"{v:.0f} ms",
    Kind.RATE: lambda v: f"{v:.1f} an hour",
    Kind.COUNT: lambda v: f"{v:.0f}",
    Kind.PSI: lambda v: f"{v:.0f} psi",
    Kind.SCF: lambda v: f"{v:,.1f} scf" if v >= 10 else f"{v:.3g} scf",
    Kind.SHARE: _chance,
    Kind.NUMBER: lambda v: f"{v:.0f}" if abs(v) >= 100 else f"{v:.3g}",
}
