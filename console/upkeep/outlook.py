"""What is due and when: every piece of upkeep with what was used of it and what is to come."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

from console.ledger.rows import ServiceRow
from console.ledger.upkeep import NightSpan, UpkeepReader
from console.rules import forecast, spares
from console.rules.forecast import Ahead, Forecast, Pace
from console.rules.upkeep import Mark, Standing, Unit, marks, nearest, standing
from console.site.fittings import CHORE, Fitting, Key, Task, fittings
from console.site.models import Night, Site
from console.upkeep.history import History, PartNow

_SHORTEST_H = 0.25
"""A night that was open for less says nothing about others."""


_Times = tuple[list[float], list[float]]
"""Lives that ended in failure, and those that did not."""


class Due(NamedTuple):
    """One piece of upkeep: how it stands and when it comes."""

    fitting: Fitting
    task: Task
    standing: Standing
    marks: tuple[Mark, ...]
    forecast: Forecast
    last: ServiceRow | None

    @property
    def id(self) -> str:
        """What people write to say that this was done."""
        one = len(self.fitting.tasks) == 1
        return self.fitting.id if one else f"{self.fitting.id}:{self.task.name}"

    @property
    def nearest(self) -> Mark | None:
        """The limit of which most is used up."""
        return nearest(self.marks)


@dataclass(frozen=True, slots=True)
class Stock:
    """One kind of part to have spares of: its life, who uses it, and how many to bring."""

    name: str
    kind: str
    unit: Unit
    life: spares.Life
    need: spares.Need
    places: tuple[str, ...]


class Outlook:
    """A site and its ledger, looked at once."""

    def __init__(self, site: Site, reader: UpkeepReader, now_wall_ns: int) -> None:
        self.site = site
        self.fittings = fittings(site)
        self.history = History(site, self.fittings, reader, now_wall_ns)
        self.today = self.history.today
        self._planned = {night.date: _hours(night) for night in site.nights}
        self.ahead = self._nights_ahead()
        self._parts: dict[Key, PartNow] = {}
        self._paces: dict[tuple[str, str, Unit], Pace | None] = {}
        closed = (n for n in reversed(self.history.nights) if n.closed_ns is not None)
        played = ((n, h) for n in closed if (h := self._open_hours(n)) >= _SHORTEST_H)
        self._newest = list(islice(played, forecast.NEWEST_NIGHTS))[::-1]

    def due(self, *, everything: bool = False) -> list[Due]:
        """Upkeep by the chance that it comes due before the next night ends, then by date.

        With `everything`, what has no limit that is counted is listed too, at the end.
        """
        found = []
        for fitting in self.fittings:
            part = self.part(fitting)
            found += [self.stand(part, task) for task in fitting.tasks]
        if not everything:
            found = [d for d in found if d.standing not in (Standing.NONE, Standing.UNKNOWN)]
        return sorted(found, key=_soonest_first)

    def part(self, fitting: Fitting) -> PartNow:
        """The part that sits there now."""
        if fitting.key not in self._parts:
            self._parts[fitting.key] = self.history.part(fitting)
        return self._parts[fitting.key]

    def due_of(self, part: PartNow) -> list[Due]:
        """The upkeep of one part, soonest first."""
        found = [self.stand(part, task) for task in part.fitting.tasks]
        return sorted(found, key=_soonest_first)

    def stand(self, part: PartNow, task: Task) -> Due:
        """One piece of upkeep of a part."""
        found = marks(task.limits, part.used[task.name], self.today)
        return Due(
            part.fitting, task, standing(found), found,
            forecast.soonest([self._when(part.fitting, mark) for mark in found]), part.last,
        )  # fmt: skip

    def pace(self, fitting: Fitting, unit: Unit) -> Pace | None:
        """How fast a fitting uses up something, from the nights so far."""
        at = (fitting.prop, fitting.motion if unit is Unit.STROKES else "", unit)
        if at not in self._paces:
            self._paces[at] = self._new_pace(fitting, unit)
        return self._paces[at]

    def stocks(self, nights: int, confidence: float) -> list[Stock]:
        """What to bring for so many nights ahead, kinds that several props share in one.

        Raises FigureError unless 0 < confidence < 1.
        """
        hours = [night.hours_h for night in self.ahead[:nights]]
        by_stock: dict[tuple[str, str, Unit], list[Fitting]] = {}
        for fitting in self.fittings:
            if fitting.prop and fitting.kind != CHORE:
                at = (fitting.stock, fitting.kind, life_unit(fitting))
                by_stock.setdefault(at, []).append(fitting)
        found = []
        for (name, kind, unit), places in by_stock.items():
            life, b10 = self._life(name, kind, unit), [f.b10 for f in places]
            in_use = []
            for fitting, maker in zip(places, b10, strict=True):
                age = self.history.age(fitting, unit is Unit.STROKES)
                pace = self.pace(fitting, unit)
                ahead = None if pace is None else pace.per_hour * sum(hours)
                in_use.append(spares.InUse(age or 0.0, ahead, maker))
            need = spares.need_of(life, in_use, confidence)
            found.append(Stock(name, kind, unit, life, need, tuple(f.id for f in places)))
        return sorted(found, key=lambda s: (-(s.need.mean or -1.0), s.kind, s.name))

    def hours_a_year(self) -> list[float]:
        """The open hours of each night of the calendar's newest year."""
        newest = max((night.date.year for night in self.site.nights), default=0)
        return [_hours(night) for night in self.site.nights if night.date.year == newest]

    def life(self, fitting: Fitting) -> spares.Life:
        """How long parts like the one in a place last."""
        return self._life(fitting.stock, fitting.kind, life_unit(fitting))

    # --- inside --------------------------------------------------------------------------------

    def _life(self, stock: str, kind: str, unit: Unit) -> spares.Life:
        """The life of a stock by its own record, or that of its whole kind while that is thin."""
        own = self._times(unit, kind, stock)
        b10 = [f.b10 for f in self.fittings if f.stock == stock and f.kind == kind and f.b10]
        maker = min(b10) if b10 else None
        if len(own[0]) < spares.LEAST_FAILURES and maker is None:
            whole = self._times(unit, kind)
            if len(whole[0]) >= spares.LEAST_FAILURES:
                return spares.life_of(*whole, maker)
        return spares.life_of(*own, maker)

    def _times(self, unit: Unit, kind: str, stock: str | None = None) -> _Times:
        def wanted(fitting: Fitting) -> bool:
            same = fitting.kind == kind and stock in (None, fitting.stock)
            return same and life_unit(fitting) is unit

        failed: list[float] = []
        running: list[float] = []
        for end in self.history.ended(wanted):
            did = end.strokes if unit is Unit.STROKES else end.cycles
            if did is not None:
                (failed if end.failed else running).append(float(did))
        for fitting in self.fittings:
            if wanted(fitting):
                amount = self.history.age(fitting, unit is Unit.STROKES)
                if amount is not None:
                    running.append(float(amount))
        return failed, running

    def _when(self, fitting: Fitting, mark: Mark) -> Forecast:
        if mark.on is not None:
            return forecast.by_date(mark.on, self.today, self.ahead)
        left = mark.left
        if left is None or mark.unit in (Unit.DAYS, Unit.DATE):
            return Forecast(None, None, None, None)
        if left <= 0:
            return Forecast(self.today, self.today, self.today, 1.0)
        if mark.unit is Unit.NIGHTS:
            return forecast.by_nights(left, self.ahead)
        if mark.unit is Unit.DAMP_HOURS:
            # Nobody knows the weather; what is damp comes sooner, and shows when it is.
            return Forecast(None, None, None, None)
        return forecast.by_count(left, self.pace(fitting, mark.unit), self.ahead)

    def _new_pace(self, fitting: Fitting, unit: Unit) -> Pace | None:
        amounts: Mapping[int, float] | None
        if unit is Unit.STROKES:
            amounts = self.history.strokes.get((fitting.prop, fitting.motion))
        elif unit is Unit.CYCLES:
            amounts = self.history.cycles.get(fitting.prop)
        else:
            amounts = self.history.hours_by_night(fitting)
        if not amounts:
            return None
        nights = self._newest
        if not nights or nights[0][0].night_id not in amounts:
            # It came later: the nights before it say nothing.
            first = min(filter(None, amounts), default=None)
            if first is None:
                return None
            nights = [(n, h) for n, h in nights if n.night_id >= first]
        each = 3.6e6 if unit is Unit.HOURS else 1
        return forecast.pace(
            [amounts.get(n.night_id, 0) / each for n, _ in nights], [h for _, h in nights]
        )

    def _open_hours(self, night: NightSpan) -> float:
        planned = self._planned.get(dt.date.fromisoformat(night.date))
        if planned is not None:
            return planned
        return ((night.closed_ns or night.opened_ns) - night.opened_ns) / 3.6e12

    def _nights_ahead(self) -> tuple[Ahead, ...]:
        """What is left of tonight, and the nights of the calendar that are still to come."""
        spans = self.history.nights
        held = {span.date for span in spans if span.closed_ns is not None}
        tonight = {span.date for span in spans if span.closed_ns is None}
        found = []
        yesterday = self.today - dt.timedelta(days=1)
        for night in sorted(self.site.nights, key=lambda n: n.date):
            if night.date < yesterday:
                continue
            day = night.date.isoformat()
            closes_ns = self._closes_ns(night)
            if closes_ns <= self.history.now_wall_ns or (day in held and day not in tonight):
                continue
            hours = _hours(night)
            left_h = (closes_ns - self.history.now_wall_ns) / 3.6e12
            found.append(Ahead(night.date, min(hours, left_h)))
        return tuple(found)

    def _closes_ns(self, night: Night) -> int:
        day = night.date + dt.timedelta(days=night.closes <= night.opens)
        at = dt.datetime.combine(day, night.closes, self.history.zone)
        return int(at.timestamp()) * 10**9


def life_unit(fitting: Fitting) -> Unit:
    """What the life of a part is counted in."""
    return Unit.STROKES if fitting.motion else Unit.CYCLES


def _hours(night: Night) -> float:
    opens = night.opens.hour + night.opens.minute / 60
    closes = night.closes.hour + night.closes.minute / 60
    return closes - opens if closes > opens else closes + 24 - opens


def _soonest_first(due: Due) -> tuple[float, dt.date, float, str]:
    mark = due.nearest
    share = mark.share if mark is not None and mark.share is not None else -1.0
    chance = due.forecast.chance_next
    return (
        -(chance if chance is not None else -1.0),
        due.forecast.on or dt.date.max,
        -share,
        due.id,
    )
