"""When a piece of upkeep is due: what has been used of each limit, whichever comes first."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from enum import StrEnum
from itertools import accumulate
from typing import NamedTuple

from console.site.hardware import Limits, ServiceInterval

UNDO_S = 60.0
"""How long an entry can be taken back without a reason. After that it is corrected."""

NEAR = 0.8
"""From this share of a limit on, it is near."""

EARLY_DAYS = 30
"""Work done so many days before a listed date counts for that date."""


class Unit(StrEnum):
    """What a limit counts."""

    STROKES = "strokes"  # every switching of the motion, idle and partial ones too
    CYCLES = "cycles"  # runs of a sequence
    HOURS = "hours"  # armed, or running for a machine
    DAMP_HOURS = "damp hours"  # of nights that were marked as damp
    NIGHTS = "nights"  # openings
    DAYS = "days"  # by the calendar
    DATE = "date"  # on a day that the site file names


class Standing(StrEnum):
    """How a piece of upkeep stands."""

    DUE = "due"  # a limit is reached
    NEAR = "soon"  # the larger part of a limit is used up
    FINE = "fine"  # there is time
    UNKNOWN = "not counted"  # nobody counts what its limits count
    NONE = "no interval"  # the site file gives no limit


class Used(NamedTuple):
    """What has happened since the last service. None: nobody counts it."""

    since: dt.date | None
    nights: int
    cycles: int | None = None
    strokes: int | None = None
    hours_h: float | None = None
    damp_hours_h: float | None = None


class Mark(NamedTuple):
    """One limit: what was used of it. `on` is the day for limits by the calendar."""

    unit: Unit
    used: float | None
    limit: float
    on: dt.date | None = None

    @property
    def share(self) -> float | None:
        """What share is used up; 1 and more is due."""
        return None if self.used is None else self.used / self.limit if self.limit else 1.0

    @property
    def left(self) -> float | None:
        """What is left of it, under 0 past the limit."""
        return None if self.used is None else self.limit - self.used


def marks(limits: Limits, used: Used, today: dt.date) -> tuple[Mark, ...]:
    """Every limit that the site file gives, with what was used of it."""
    counted: tuple[tuple[Unit, float | None, float | None], ...] = (
        (Unit.STROKES, limits.strokes, used.strokes),
        (Unit.CYCLES, limits.cycles, used.cycles),
        (Unit.HOURS, limits.hours_h, used.hours_h),
        (
            Unit.DAMP_HOURS,
            limits.damp_hours_h if isinstance(limits, ServiceInterval) else None,
            used.damp_hours_h,
        ),
        (Unit.NIGHTS, limits.nights, used.nights),
    )
    found = [Mark(unit, use, limit) for unit, limit, use in counted if limit is not None]
    if limits.days is not None:
        age = None if used.since is None else (today - used.since).days
        on = None if used.since is None else used.since + dt.timedelta(days=limits.days)
        found.append(Mark(Unit.DAYS, age, limits.days, on))
    if (on := next_date(limits.dates, used.since)) is not None:
        since = used.since or min(today, on)
        found.append(Mark(Unit.DATE, (today - since).days, max((on - since).days, 0), on))
    return tuple(found)


def next_date(dates: Sequence[dt.date], since: dt.date | None) -> dt.date | None:
    """The first listed day for which the last work does not count; None: all are done."""
    for day in sorted(dates):
        if since is None or since < day - dt.timedelta(days=EARLY_DAYS):
            return day
    return None


def nearest(found: Sequence[Mark]) -> Mark | None:
    """The limit of which most is used up; those that nobody counts come last."""
    if len(found) < 2:
        return found[0] if found else None
    return max(found, key=lambda mark: -1.0 if (share := mark.share) is None else share)


def standing(found: Sequence[Mark]) -> Standing:
    """How a piece of upkeep stands by all its limits."""
    mark = nearest(found)
    if mark is None:
        return Standing.NONE
    if mark.share is None:
        return Standing.UNKNOWN
    if mark.share >= 1:
        return Standing.DUE
    return Standing.NEAR if mark.share >= NEAR else Standing.FINE


def may_undo(recorded_wall_ns: int, now_wall_ns: int) -> bool:
    """Whether an entry can still be taken back rather than corrected."""
    return 0 <= now_wall_ns - recorded_wall_ns <= UNDO_S * 1e9


class Flow:
    """A count night by night, to be asked what came after a moment."""

    def __init__(
        self, opened_ns: Sequence[int], closed_ns: Sequence[int], amounts: Sequence[float]
    ) -> None:
        """One of each for every night, in order of time; nights do not overlap."""
        self._opened = opened_ns
        self._closed = closed_ns
        self._amounts = amounts
        self._after = list(accumulate(reversed(amounts), initial=0.0))[::-1]

    def after(self, wall_ns: int) -> float:
        """The sum of what came after a moment; of a night that was on then, by its time."""
        at = bisect_left(self._opened, wall_ns)
        total = self._after[at]
        if at and self._closed[at - 1] > wall_ns:
            began, ended = self._opened[at - 1], self._closed[at - 1]
            total += self._amounts[at - 1] * (ended - wall_ns) / (ended - began)
        return total

    def between(self, start_ns: int, end_ns: int) -> float:
        """The sum of what came from one moment to a later one."""
        return self.after(start_ns) - self.after(end_ns)


def hours_by_meter(
    readings: Sequence[tuple[int, Mapping[str, object]]], served_ns: int
) -> float | None:
    """Hours run since a service by an hour meter that people read off; None without two readings.

    `readings` are (wall_ns, readings) in order of time; the one at the service, or the last one
    before it, is where the count starts.
    """
    known = [
        (at, float(value))
        for at, values in readings
        if isinstance(value := values.get("hours"), int | float)
    ]
    before = [value for at, value in known if at <= served_ns]
    after = [value for at, value in known if at > served_ns]
    if not after or (not before and len(after) < 2):
        return None
    return max(0.0, after[-1] - (before[-1] if before else after[0]))
