"""What upkeep found, as plain objects for JSON and as words for people."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING

from console.figures.life import b10d_from_b10, life
from console.ledger.entries import ServiceKind
from console.ledger.rows import ServiceRow
from console.rules.forecast import FEW_NIGHTS, Forecast
from console.rules.spares import Life
from console.rules.upkeep import Mark, Standing, Unit
from console.site.fittings import id_of
from console.upkeep.history import PartNow
from console.upkeep.outlook import Due, Outlook, Stock, life_unit

if TYPE_CHECKING:
    from console.upkeep.watching import Flag, Watched

Plain = dict[str, object]


def due_object(due: Due) -> Plain:
    """One piece of upkeep."""
    ahead = due.forecast
    return {
        "id": due.id,
        "prop": due.fitting.prop,
        "motion": due.fitting.motion,
        "part": due.fitting.name,
        "kind": due.fitting.kind,
        "task": due.task.name,
        "title": due.task.title,
        "standing": due.standing.value,
        "limits": [mark_object(mark) for mark in due.marks],
        "due_on": _iso(ahead.on),
        "early": _iso(ahead.early),
        "late": _iso(ahead.late),
        "chance_next_night": ahead.chance_next,
        "few_nights": ahead.few,
        "last": None if due.last is None else row_object(due.last),
    }


def mark_object(mark: Mark) -> Plain:
    """One limit with what was used of it."""
    return {
        "unit": mark.unit.value,
        "used": mark.used,
        "limit": mark.limit,
        "share": mark.share,
        "on": _iso(mark.on),
    }


def row_object(row: ServiceRow) -> Plain:
    """One entry of work; `corrected_by` is the entry that stands in its place."""
    return {
        "entry": row.seq,
        "part": id_of((row.prop, row.motion, row.part)),
        "kind": row.kind,
        "task": row.task,
        "by": row.by,
        "note": row.note,
        "readings": dict(row.readings),
        "done_at": _utc(row.wall_ns),
        "recorded_at": _utc(row.recorded_ns),
        "cycles": row.prop_cycles,
        "strokes": row.strokes,
        "other": id_of(row.other) if row.other else None,
        "about": row.about,
    }


def part_object(outlook: Outlook, part: PartNow, raw: Iterable[ServiceRow]) -> Plain:
    """A part's page: what it is, its life, its upkeep, and every entry ever made about it."""
    fitting = part.fitting
    lived = outlook.history.life(fitting)
    return {
        "id": fitting.id,
        "kind": fitting.kind,
        "model": fitting.model or None,
        "listed": fitting.listed,
        "installed": _iso(fitting.installed),
        "life": {
            "cycles": lived.cycles,
            "strokes": lived.strokes,
            "hours": lived.hours_h,
            "nights": lived.nights,
        },
        "due": [due_object(due) for due in outlook.due_of(part)],
        "lives_of_its_kind": life_object(outlook.life(fitting), life_unit(fitting)),
        "iso_13849_1": iso_object(outlook, part),
        "history": [row_object(row) for row in part.rows],
        "entries": [row_object(row) for row in raw],
    }


def life_object(found: Life, unit: Unit) -> Plain:
    """How long a kind lasts, with bounds at 90 %."""
    weibull, b10, beta = found.weibull, found.b10_bounds, found.beta_bounds
    return {
        "unit": unit.value,
        "rests_on": found.ground.value,
        "failures": found.failures,
        "running": found.running,
        "beta": weibull and weibull.beta,
        "beta_bounds": beta and [beta.lower, beta.upper],
        "eta": weibull and weibull.eta,
        "b10": weibull and weibull.b10,
        "b10_bounds": b10 and [b10.lower, b10.upper],
        "b50": weibull and weibull.b50,
    }


def iso_object(outlook: Outlook, part: PartNow) -> Plain | None:
    """Planning figures by the formula of ISO 13849-1, from the maker's B10 and the calendar.

    They make neither the prop nor this program a safety function of any level.
    """
    fitting = part.fitting
    pace = outlook.pace(fitting, life_unit(fitting))
    nights = [hours for hours in outlook.hours_a_year() if hours > 0]
    if fitting.b10 is None or pace is None or pace.per_hour <= 0 or not nights:
        return None
    figures = life(
        b10d_from_b10(fitting.b10), len(nights), sum(nights) / len(nights), 3600 / pace.per_hour
    )
    return {
        "n_op_per_year": figures.n_op_per_year,
        "t10d_years": figures.t10d_years,
        "mttfd_years": figures.mttfd_years,
        "note": "planning figures; no safety function is claimed",
    }


def stock_object(stock: Stock) -> Plain:
    """How many of a kind to bring."""
    return {
        "name": stock.name,
        "kind": stock.kind,
        "in_use": stock.need.in_use,
        "places": list(stock.places),
        "expected": stock.need.mean,
        "bring": stock.need.bring,
        "chance_enough": stock.need.chance_enough,
        "life": life_object(stock.life, stock.unit),
    }


def stream_object(watched: Watched) -> Plain:
    """One motion's times in one direction and sequence."""
    stream = watched.stream
    return {
        "prop": watched.prop,
        "motion": watched.motion,
        "sequence": watched.sequence,
        "direction": watched.direction,
        "values": stream.count,
        "learning": stream.learning,
        "baseline_ms": stream.baseline_ms,
        "spread": stream.spread,
        "nights_known": stream.nights_known,
        "night_spread": stream.night_spread,
        "least_slower": stream.least_slower,
        "slower": stream.slower,
        "cusum": stream.cusum,
        "flagged": stream.flagged_at is not None,
        "slow_since": None if watched.slow_since_ns is None else _utc(watched.slow_since_ns),
    }


def flag_object(flag: Flag) -> Plain:
    """Something that is getting worse."""
    return {
        "sign": flag.sign.value,
        "prop": flag.prop,
        "motion": flag.motion,
        "text": flag.text,
        "cause": flag.cause,
        "slower": flag.slower,
        "since": None if flag.since_wall_ns is None else _utc(flag.since_wall_ns),
        "cycles_ago": flag.cycles_ago,
    }


def fact_lines(outlook: Outlook, part: PartNow) -> list[str]:
    """What a part is, what it has done in its life, and how long its kind lasts."""
    fitting = part.fitting
    kind = fitting.kind if not fitting.model else f"{fitting.kind}, {fitting.model}"
    lines = [f"{fitting.id}  ({kind})"]
    if not fitting.listed:
        lines.append("not listed in the site file; every such motion has one")
    if fitting.installed:
        lines.append(f"installed {fitting.installed}")
    lived = outlook.history.life(fitting)
    counted = (
        (lived.strokes, "strokes"),
        (lived.cycles, "cycles"),
        (lived.hours_h, "hours"),
        (lived.nights, "nights"),
    )
    did = ", ".join(f"{amount:,.0f} {unit}" for amount, unit in counted if amount is not None)
    lines.append(f"in its life: {did}")
    life = outlook.life(fitting)
    if life.weibull is not None:
        unit = life_unit(fitting).value
        low, high = (life.b10_bounds.lower, life.b10_bounds.upper) if life.b10_bounds else (0, 0)
        bounds = f" (90 %: {low:,.0f} to {high:,.0f})" if low and high else ""
        lines.append(
            f"one in ten of its kind fails by {life.weibull.b10:,.0f} {unit}{bounds}, half by "
            f"{life.weibull.b50:,.0f}; {life.ground.value}"
        )
    return lines


def part_lines(outlook: Outlook, part: PartNow, raw: Iterable[ServiceRow]) -> list[str]:
    """A part's page in words."""
    lines = [*fact_lines(outlook, part), ""]
    for due in outlook.due_of(part):
        when = when_words(due, outlook.today) or due.standing.value
        lines.append(f"{due.task.title}: {mark_words(due.nearest)}; {when}")
    if (iso := iso_object(outlook, part)) is not None:
        lines += [
            "",
            f"by the formula of ISO 13849-1: {iso['n_op_per_year']:,.0f} strokes a year, T10d "
            f"{iso['t10d_years']:,.1f} years, MTTFd {iso['mttfd_years']:,.0f} years; {iso['note']}",
        ]
    lines += ["", "work on record" if (rows := list(raw)) else "no work on record"]
    corrected = {row.about for row in rows}
    for row in rows:
        at = outlook.history.day_of(row.wall_ns)
        what = KIND_WORDS[ServiceKind(row.kind)] if row.kind in list(ServiceKind) else row.kind
        task = f" ({row.task})" if row.task else ""
        other = f" with {id_of(row.other)}" if row.other else ""
        about = f", correcting {row.about}" if row.about is not None else ""
        gone = "  [corrected]" if row.seq in corrected else ""
        note = f": {row.note}" if row.note else ""
        lines.append(f"  {row.seq:>8}  {at}  {row.by}  {what}{task}{other}{about}{note}{gone}")
    return lines


def mark_words(mark: Mark | None) -> str:
    """`3120 of 4000 strokes`, `due 2027-09-25`."""
    if mark is None:
        return "no interval"
    if mark.unit is Unit.DATE or (mark.unit is Unit.DAYS and mark.on is not None):
        return f"due {_iso(mark.on)}"
    unit = mark.unit.value.removesuffix("s") if mark.limit == 1 else mark.unit.value
    if mark.used is None:
        return f"every {mark.limit:g} {unit}, not counted"
    return f"{mark.used:.0f} of {mark.limit:g} {unit}"


def when_words(due: Due, today: dt.date) -> str:
    """`now`, a weekday and date, or that it lies past the site file's calendar."""
    if due.standing is Standing.DUE:
        return "now"
    on = due.forecast.on
    if on is None:
        return "" if due.forecast.chance_next is None else "past calendar"
    return "today" if on == today else f"{on:%a} {on.isoformat()}"


def chance_words(found: Forecast) -> str:
    """The chance before the next night ends, `~` in front of it where few nights tell it."""
    if found.chance_next is None:
        return ""
    chance = found.chance_next
    told = ">99 %" if 0.99 < chance < 1 else "<1 %" if 0 < chance < 0.01 else f"{chance:.0%}"
    return ("~" if found.few else "") + told.replace("%", " %").replace("  ", " ")


FEW_WORDS = f"~ fewer than {FEW_NIGHTS} nights to judge by"

KIND_WORDS = {
    ServiceKind.SERVICE: "serviced",
    ServiceKind.REPLACED: "replaced, worn out",
    ServiceKind.RENEWED: "replaced, still good",
    ServiceKind.MOVED: "changed places",
    ServiceKind.READING: "read off",
    ServiceKind.VOID: "did not happen",
}
"""Each kind of work in words."""


def _iso(day: dt.date | None) -> str | None:
    return None if day is None else day.isoformat()


def _utc(wall_ns: int) -> str:
    at = dt.datetime.fromtimestamp(wall_ns // 10**9, dt.UTC)
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")
