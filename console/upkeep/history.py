"""Parts through their lives: what each has done where it sat, through services and exchanges.

The work on record is gone through once, in the order in which it was done. A part that changes
places takes what it has done with it; a new one begins at nothing.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar
from zoneinfo import ZoneInfo

from console.ledger.entries import RunKind, ServiceKind
from console.ledger.rows import ServiceRow
from console.ledger.upkeep import NightSpan, UpkeepReader
from console.ledger.working import WEATHER
from console.rules.upkeep import Flow, Used, hours_by_meter
from console.site.fittings import Fitting, Key
from console.site.hardware import Limits, PartKind, ServiceInterval
from console.site.models import Site

COMPRESSOR = "compressor"
"""The subject under which the running of the compressor is counted."""

_NEW = frozenset({ServiceKind.REPLACED, ServiceKind.RENEWED})
_WEATHER_AHEAD_NS = 12 * 3600 * 10**9
"""Weather read off so long before a night opens is that night's."""


class Tally(NamedTuple):
    """Counts of one part. None: nobody counts it."""

    cycles: int | None = None
    strokes: int | None = None
    hours_h: float | None = None
    damp_hours_h: float | None = None
    nights: int = 0


Count = TypeVar("Count", int, float)


def _plus(one: Count | None, other: Count | None) -> Count | None:
    return None if one is None or other is None else one + other


_NOTHING = Tally(0, 0, 0.0, 0.0, 0)


class _Start(NamedTuple):
    """Where a count began: at this moment, with these meters, with what it had from elsewhere."""

    wall_ns: int
    cycles: int
    strokes: int | None
    carried: Tally
    day: dt.date | None


@dataclass(slots=True)
class _Occupant:
    """The part that sits in a place: the start of its life, and of each upkeep's count.

    Where a count began with some work, that stands for it: most starts are overtaken by later ones.
    """

    life: _Start
    tasks: dict[str, _Start | ServiceRow]
    last: ServiceRow | None = None


class EndedLife(NamedTuple):
    """A part that was taken out for good. `failed` is False where it was still in order."""

    fitting: Fitting
    cycles: int | None
    strokes: int | None
    failed: bool


class PartNow(NamedTuple):
    """The part in one place now, and what it did since each upkeep."""

    fitting: Fitting
    used: dict[str, Used]
    last: ServiceRow | None
    rows: tuple[ServiceRow, ...]


class History:
    """Everything that upkeep needs of one ledger, read once."""

    def __init__(
        self,
        site: Site,
        found: Sequence[Fitting],
        reader: UpkeepReader,
        now_wall_ns: int,
    ) -> None:
        self.now_wall_ns = now_wall_ns
        self._days: dict[int, dt.date] = {}
        self.zone = ZoneInfo(site.timezone) if site.timezone else None
        self.nights: list[NightSpan] = reader.night_spans()
        self.meters = reader.meters()
        self.cycles = reader.night_cycles()
        self.strokes = reader.night_strokes()
        self.armed = reader.run_times(RunKind.ARMED)
        self.running = reader.run_times(RunKind.RUNNING)
        self.work = reader.work()
        self._ended: list[tuple[Fitting, _Start, ServiceRow]] = []
        self._fittings = {fitting.key: fitting for fitting in found}
        self._rows: dict[Key, list[ServiceRow]] = {}
        keys = [(row.prop, row.motion, row.part) for row in self.work]
        for key, row in zip(keys, self.work, strict=True):
            self._rows.setdefault(key, []).append(row)
        self._opened = [night.opened_ns for night in self.nights]
        self._closed = [max(self._end(n), n.opened_ns + 1) for n in self.nights]
        # Of what nobody ever did on record, days count from the first night.
        self._first_day = self.day_of(self._opened[0]) if self._opened else None
        self._hour_flows: dict[str, Flow | None] = {}
        self._damp_flow = self._damp_hours()
        self._occupants = {f.key: self._first(f) for f in found}
        for key, row in zip(keys, self.work, strict=True):
            self._follow(key, row)

    @property
    def today(self) -> dt.date:
        """The date on the site's clock."""
        return self.day_of(self.now_wall_ns)

    def day_of(self, wall_ns: int) -> dt.date:
        """The date on the site's clock at a moment."""
        if (day := self._days.get(wall_ns)) is None:
            day = dt.datetime.fromtimestamp(wall_ns / 1e9, self.zone).date()
            self._days[wall_ns] = day
        return day

    def start_of(self, day: dt.date) -> int:
        """The moment at which a date begins on the site's clock."""
        at = dt.datetime.combine(day, dt.time(), self.zone)
        return int(at.timestamp()) * 10**9

    def rows_of(self, key: Key) -> tuple[ServiceRow, ...]:
        """Work on record at one place, as it holds, oldest first."""
        return tuple(self._rows.get(key, ()))

    def part(self, fitting: Fitting) -> PartNow:
        """The part that sits there now."""
        occupant = self._occupants[fitting.key]
        used = {}
        for task in fitting.tasks:
            start = self._start(occupant.tasks[task.name])
            did = self._did(fitting, start, timed=has_hours(task.limits))
            used[task.name] = Used(
                start.day, did.nights, did.cycles, did.strokes, did.hours_h, did.damp_hours_h
            )
        return PartNow(fitting, used, occupant.last, self.rows_of(fitting.key))

    def life(self, fitting: Fitting) -> Tally:
        """What the part that sits there has done in its whole life."""
        return self._did(fitting, self._occupants[fitting.key].life)

    def ended(self, wanted: Callable[[Fitting], bool] = lambda fitting: True) -> list[EndedLife]:
        """Every life that ended in the places wanted, in the order in which they did."""
        found = []
        for fitting, life, row in self._ended:
            if not wanted(fitting):
                continue
            did = self._counts(fitting, life, row)
            failed = row.kind == ServiceKind.REPLACED
            found.append(EndedLife(fitting, did.cycles, did.strokes, failed))
        return found

    def newest_work(self, prop: str, motion: str) -> ServiceRow | None:
        """The newest work on any part of a motion: from there its travel times start afresh."""
        for row in reversed(self.work):
            if row.motion == motion and row.prop == prop and row.kind != ServiceKind.READING:
                return row
        return None

    # --- going through the work ----------------------------------------------------------------

    def _first(self, fitting: Fitting) -> _Occupant:
        """What sat there before anything was recorded."""
        start_ns = 0 if fitting.installed is None else self.start_of(fitting.installed)
        cycles, strokes = 0, 0 if fitting.motion else None
        if start_ns and any(night.opened_ns < start_ns for night in self.nights):
            flow = self._flow(self.cycles.get(fitting.prop, {}))
            cycles = self._cycles_now(fitting) - round(flow.after(start_ns))
            if (now := self._strokes_now(fitting)) is not None:
                flow = self._flow(self.strokes.get((fitting.prop, fitting.motion), {}))
                strokes = now - round(flow.after(start_ns))
        # Strokes that it brought along count for its life; nobody knows when it was last serviced,
        # and counting them is the safe side.
        carried = Tally(0, fitting.at_strokes, 0.0, 0.0, 0)
        day = fitting.installed or self._first_day
        return _fresh(fitting, _Start(start_ns, cycles, strokes, carried, day))

    def _follow(self, key: Key, row: ServiceRow) -> None:
        fitting = self._fittings.get(key)
        if fitting is None or row.kind == ServiceKind.READING:
            return
        occupant = self._occupants[key]
        if row.kind == ServiceKind.MOVED:
            self._exchange(row, fitting)
            return
        if row.kind in _NEW:
            self._ended.append((fitting, occupant.life, row))
            occupant = self._occupants[key] = _fresh(fitting, self._start(row))
        else:
            for task in fitting.tasks:
                if row.task in ("", task.name):
                    occupant.tasks[task.name] = row
        occupant.last = row

    def _exchange(self, row: ServiceRow, fitting: Fitting) -> None:
        """One end of an exchange: the part comes here. The other end does the same for its own."""
        other = self._fittings.get(row.other) if row.other else None
        mate = None
        if other is not None:
            mate = next(
                (r for r in self.rows_of(other.key) if r.other == fitting.key
                 and r.kind == ServiceKind.MOVED and r.wall_ns == row.wall_ns),
                None,
            )  # fmt: skip
        if other is None or mate is None or row.seq > mate.seq:
            return
        here, there = self._occupants[fitting.key], self._occupants[other.key]
        self._occupants[fitting.key] = self._carried(there, other, mate, fitting, row)
        self._occupants[other.key] = self._carried(here, fitting, row, other, mate)

    def _carried(
        self, part: _Occupant, old: Fitting, left: ServiceRow, new: Fitting, came: ServiceRow
    ) -> _Occupant:
        def moved(begun: _Start | ServiceRow) -> _Start:
            start = self._start(begun)
            return self._start(came)._replace(carried=self._did(old, start, left), day=start.day)

        fresh = {task.name: moved(part.life) for task in new.tasks}
        kept = {name: moved(start) for name, start in part.tasks.items() if name in fresh}
        return _Occupant(moved(part.life), {**fresh, **kept}, came)

    def _start(self, row: ServiceRow | _Start) -> _Start:
        """The start of what counts from some work on, or already is one."""
        if isinstance(row, _Start):
            return row
        day = self.day_of(row.wall_ns)
        return _Start(row.wall_ns, row.prop_cycles, row.strokes, _NOTHING, day)

    def _did(
        self,
        fitting: Fitting,
        start: _Start,
        until: ServiceRow | None = None,
        *,
        timed: bool = True,
    ) -> Tally:
        """What was done from `start` until some work, or until now; hours only if `timed`."""
        end_ns = until.wall_ns if until else self.now_wall_ns
        cycles, strokes, _, _, nights = self._counts(fitting, start, until)
        nights += bisect_right(self._opened, end_ns) - bisect_right(self._opened, start.wall_ns)
        if not timed:
            return Tally(cycles, strokes, None, None, nights)
        damp_h = self._damp_flow.between(start.wall_ns, end_ns) / 3.6e6
        hours_h = self._hours(fitting, start.wall_ns, end_ns)
        carried = start.carried
        return Tally(
            cycles, strokes, _plus(hours_h, carried.hours_h),
            _plus(damp_h, carried.damp_hours_h), nights,
        )  # fmt: skip

    def _counts(self, fitting: Fitting, start: _Start, until: ServiceRow | None = None) -> Tally:
        """The cycles and strokes of `_did` alone, and the nights that the part brought along."""
        cycles = until.prop_cycles if until else self._cycles_now(fitting)
        strokes = until.strokes if until else self._strokes_now(fitting)
        here = max(cycles - start.cycles, 0) if fitting.prop else None
        struck = max(strokes - (start.strokes or 0), 0) if strokes is not None else None
        carried = start.carried
        return Tally(
            _plus(here, carried.cycles), _plus(struck, carried.strokes), None, None, carried.nights
        )

    def age(self, fitting: Fitting, strokes: bool) -> int | None:
        """What the part there has done in its life, in strokes or else cycles."""
        did = self._counts(fitting, self._occupants[fitting.key].life)
        return did.strokes if strokes else did.cycles

    def _cycles_now(self, fitting: Fitting) -> int:
        return self.meters.cycles.get(fitting.prop, 0)

    def _strokes_now(self, fitting: Fitting) -> int | None:
        return self.meters.strokes.get((fitting.prop, fitting.motion))

    # --- counts by time ------------------------------------------------------------------------

    def _flow(self, amounts: Mapping[int, float]) -> Flow:
        each = [amounts.get(night.night_id, 0) for night in self.nights]
        return Flow(self._opened, self._closed, each)

    def _end(self, night: NightSpan) -> int:
        return self.now_wall_ns if night.closed_ns is None else night.closed_ns

    def hours_by_night(self, fitting: Fitting) -> dict[int, int] | None:
        """Milliseconds armed (of a prop) or running (of a machine) by night; None: not counted."""
        if fitting.prop:
            return self.armed.get(fitting.prop)
        return self.running.get(COMPRESSOR)

    def _hours(self, fitting: Fitting, start_ns: int, end_ns: int) -> float | None:
        if fitting.prop not in self._hour_flows:
            amounts = self.hours_by_night(fitting)
            self._hour_flows[fitting.prop] = None if amounts is None else self._flow(amounts)
        flow = self._hour_flows[fitting.prop]
        if flow is not None:
            return flow.between(start_ns, end_ns) / 3.6e6
        if fitting.kind != PartKind.COMPRESSOR:
            return None
        read = [(r.wall_ns, r.readings) for r in self.rows_of(fitting.key) if r.wall_ns <= end_ns]
        return hours_by_meter(read, start_ns)

    def _damp_hours(self) -> Flow:
        """Milliseconds that the compressor ran on damp nights; their length where none counts."""
        damp: dict[int, bool] = {}
        for row in self.rows_of(WEATHER):
            for night in self.nights:
                early = night.opened_ns - _WEATHER_AHEAD_NS
                if "damp" in row.readings and early <= row.wall_ns <= self._end(night):
                    damp[night.night_id] = _true(row.readings["damp"])
        counted = self.running.get(COMPRESSOR, {})
        return self._flow(
            {
                night.night_id: counted.get(
                    night.night_id, (self._end(night) - night.opened_ns) // 10**6
                )
                for night in self.nights
                if damp.get(night.night_id)
            }
        )


def _fresh(fitting: Fitting, start: _Start) -> _Occupant:
    """A part whose life and upkeep are all counted from the same moment."""
    return _Occupant(start, {task.name: start for task in fitting.tasks})


def has_hours(limits: Limits) -> bool:
    """Whether a limit counts hours of any sort."""
    damp = isinstance(limits, ServiceInterval) and limits.damp_hours_h is not None
    return limits.hours_h is not None or damp


def _true(value: object) -> bool:
    return value in (1, True, 1.0, "1", "yes", "true", "on")


def readings_of(rows: Iterable[ServiceRow], name: str) -> list[tuple[int, float]]:
    """Every reading of one name, (wall_ns, value), oldest first."""
    return [
        (row.wall_ns, float(value))
        for row in rows
        if isinstance(value := row.readings.get(name), int | float)
    ]
