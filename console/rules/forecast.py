"""When a limit will be reached, from the nights so far and the calendar of those to come.

What a prop does in a night is taken as its mean an hour times the hours open, times a factor that
differs from night to night. Spread and mean are both learned from few nights, so what is to come
follows a t distribution that allows for both: with k nights of hours h ahead, mean m H and variance
m² s² (sum h² + H² / n) + m H, where H = sum h, s is the spread of the factor and n the number of
nights so far. The spread starts from a prior worth two nights.

Source: A. Gelman et al., Bayesian Data Analysis, 3rd ed., 3.2 (normal data with a conjugate prior).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

PRIOR_SPREAD = 0.35
"""How much a night differs from the mean before anything is known of it, as a share."""
PRIOR_NIGHTS = 2.0
_FURTHEST = 60.0
"""Further out than this a chance is none, even with the prior's two nights alone."""
FEW_NIGHTS = 5
"""With fewer nights than this a forecast says so."""
NEWEST_NIGHTS = 14
"""How many nights back the mean looks: earlier seasons had other crowds."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """One night of the calendar that is still to come."""

    date: dt.date
    hours_h: float


@dataclass(frozen=True, slots=True)
class Pace:
    """How much of something comes in an hour: mean, spread from night to night as a share of it."""

    per_hour: float
    spread: float
    nights: int

    @property
    def few(self) -> bool:
        """Whether too few nights are behind it to rely on it."""
        return self.nights < FEW_NIGHTS


class Forecast(NamedTuple):
    """When a limit is reached.

    `on` is the night by which it is more likely reached than not, None where the calendar ends
    before; `early` and `late` are those of 1 in 10 and 9 in 10. `chance_next` is the chance that it
    is reached before the next night ends, None where nothing is known.
    """

    on: dt.date | None
    early: dt.date | None
    late: dt.date | None
    chance_next: float | None
    few: bool = False


def pace(amounts: Sequence[float], hours_h: Sequence[float]) -> Pace | None:
    """The pace of the nights so far, oldest first; None without one that was open at all."""
    kept = [(a, h) for a, h in zip(amounts, hours_h, strict=True) if h > 0][-NEWEST_NIGHTS:]
    total = total_h = off = 0.0
    for amount, open_h in kept:
        total += amount
        total_h += open_h
    if not kept:
        return None
    mean = total / total_h
    if mean <= 0:
        return Pace(0.0, PRIOR_SPREAD, len(kept))
    for amount, open_h in kept:
        off += (amount / open_h / mean - 1) ** 2
    spread = math.sqrt((PRIOR_NIGHTS * PRIOR_SPREAD**2 + off) / (PRIOR_NIGHTS + len(kept) - 1))
    return Pace(mean, spread, len(kept))


def chance_of(at: Pace, left: float, hours_h: Sequence[float]) -> float:
    """The chance that at least `left` comes in nights of these hours."""
    return _chance(at, left, sum(hours_h), sum(h * h for h in hours_h))


def _chance(at: Pace, left: float, open_h: float, squares: float) -> float:
    if left <= 0:
        return 1.0
    if at.per_hour <= 0 or open_h <= 0:
        return 0.0
    return _t_below(_deviations(at, left, open_h, squares), PRIOR_NIGHTS + at.nights - 1)


def _deviations(at: Pace, left: float, open_h: float, squares: float) -> float:
    """How far what comes is expected to lie past `left`."""
    mean = at.per_hour * open_h
    wide = squares + open_h * open_h / at.nights
    return (mean - left) / math.sqrt((at.per_hour * at.spread) ** 2 * wide + mean)


def _t_below(t: float, free: float) -> float:
    """The t distribution function."""
    if abs(t) > _FURTHEST:
        return float(t > 0)
    return float(_stdtr()(free, t))


@cache
def _stdtr() -> Callable[[float, float], float]:
    # Imported late, since most commands forecast nothing, and once: a list asks hundreds of times.
    from scipy.special import stdtr

    found: Callable[[float, float], float] = stdtr
    return found


def by_count(left: float, at: Pace | None, ahead: Sequence[Ahead]) -> Forecast:
    """When `left` more of something will have come."""
    if left <= 0:
        return Forecast(None, None, None, 1.0)
    if at is None:
        return Forecast(None, None, None, None, few=True)
    days: list[dt.date | None] = [None, None, None]
    chance_next = most = open_h = squares = 0.0
    for night in ahead:
        open_h += night.hours_h
        squares += night.hours_h**2
    if ahead and _chance(at, left, open_h, squares) < 0.1:
        # Most limits lie far past the calendar; one look at its end says so.
        return Forecast(None, None, None, chance_of(at, left, [ahead[0].hours_h]), at.few)
    open_h = squares = 0.0
    for number, night in enumerate(ahead):
        open_h += night.hours_h
        squares += night.hours_h**2
        most = max(most, _chance(at, left, open_h, squares))
        if number == 0:
            chance_next = most
        for place, share in enumerate((0.1, 0.5, 0.9)):
            if most >= share and days[place] is None:
                days[place] = night.date
        if days[2] is not None:
            break
    early, on, late = days
    return Forecast(on, early, late, chance_next, at.few)


def by_nights(left: float, ahead: Sequence[Ahead]) -> Forecast:
    """When `left` more nights will have been: nothing about it is uncertain but the calendar."""
    if left <= 0:
        return Forecast(None, None, None, 1.0)
    number = math.ceil(left)
    on = ahead[number - 1].date if number <= len(ahead) else None
    return Forecast(on, on, on, 1.0 if on is not None and number == 1 else 0.0)


def by_date(on: dt.date, today: dt.date, ahead: Sequence[Ahead]) -> Forecast:
    """When a day of the calendar comes."""
    next_night = ahead[0].date if ahead else today
    return Forecast(on, on, on, 1.0 if on <= max(today, next_night) else 0.0)


def soonest(found: Sequence[Forecast]) -> Forecast:
    """Whichever comes first. The limits of one part rise together, so the chance is the highest."""
    if len(found) < 2:
        return found[0] if found else Forecast(None, None, None, None)
    chances = [one.chance_next for one in found if one.chance_next is not None]

    def first(days: Sequence[dt.date | None]) -> dt.date | None:
        return min((day for day in days if day is not None), default=None)

    return Forecast(
        first([one.on for one in found]),
        first([one.early for one in found]),
        first([one.late for one in found]),
        max(chances, default=None),
        any(one.few for one in found),
    )
