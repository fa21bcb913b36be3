"""Whether a motion takes longer than it used to, told apart from a night that is only odd.

One stream is what one motion takes in one direction in one sequence. Its baseline begins with the
first night after a service, and each night is judged by those before it, so nothing need be told in
advance; after `LEARNED` values in `LEARNED_NIGHTS` nights it stands still, or it would learn the
wear itself. Two one-sided charts look at the scores of single values: a CUSUM for lasting shifts,
an EWMA for what is slow now. One of them must signal, and the average be further above the baseline
than nights lie from each other by themselves: the limits are widened by what nights differ by, as
D. B. Laney widens those of counts whose groups differ by more than their own scatter. The fewer
nights are known, the wider.

Values are logarithms of times, so a share is a share for fast and slow motions alike.

Sources: D. M. Hawkins, Self-starting CUSUM charts for location and scale (1987); NIST/SEMATECH
e-Handbook 6.3.2.3-4; D. B. Laney, Improved control charts for attributes, Quality Engineering 14
(2002); for nights, console.rules.slowing_baseline.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from console.figures.drift import ewma_half_width
from console.figures.inputs import FigureError
from console.figures.run_length import cusum_decision_for, ewma_run_length
from console.rules.slowing_baseline import CLIP, Array, Baseline, sums_of

LEARNED = 120
"""Values after which the baseline stands still,"""
LEARNED_NIGHTS = 3
"""in so many nights at least, for no two nights are alike."""
LEAST_SLOWER = 0.05
"""Less than this share is of no consequence for a scare, however sure it is."""
ALLOWANCE = 1.0
WEIGHT = 0.1
NIGHTS_A_FLAG = 10
"""A site is to have at most one false flag in so many nights."""
_SURE = 20
"""Before so many values no flag is raised: the share could not be told yet."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Where the charts signal, in deviations. `run_length` is how many healthy values a chart sees
    for each false signal of its own, `chance` that of a healthy night to be taken for slow."""

    decision: float
    limit: float
    run_length: float
    chance: float


def limits_for(values_a_night: float, streams: int, nights: int = NIGHTS_A_FLAG) -> Limits:
    """Limits that give a site at most one false flag in `nights`, by chart or odd night.

    `values_a_night` counts every value of every one of the site's `streams`.
    """
    # Rounded up to two digits, so that the integral equations are solved once and not every night.
    wanted = max(2.0 * nights * max(values_a_night, 1.0), 1000.0)
    digits = 10 ** (math.floor(math.log10(wanted)) - 1)
    decision, limit, run_length = _limits(min(math.ceil(wanted / digits) * digits, 2e8))
    # Half of what is allowed: nights do not keep to a normal law.
    chance = 1 / (2 * nights * max(streams, 1))
    return Limits(decision, limit, run_length, chance)


@lru_cache(maxsize=32)
def _limits(run_length: float) -> tuple[float, float, float]:
    # Both charts are asked for two sides; one side alone signals half as often.
    decision = cusum_decision_for(ALLOWANCE, run_length / 2)
    low, high = 2.0, 7.0
    while high - low > 1e-4:
        middle = (low + high) / 2
        if ewma_run_length(WEIGHT, middle) < run_length / 2:
            low = middle
        else:
            high = middle
    return decision, high, run_length


@dataclass(slots=True)
class Chart:
    """What is known of each time, oldest first; all but the times as logarithms.

    `average` and `limit`, where the average would be a flag, lie above what is expected. All three
    are NaN while nothing is known.
    """

    times_ms: list[float]
    expected: list[float]
    average: list[float]
    limit: list[float]


class Stream:
    """One motion's times in one direction and sequence, from one service on."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.chart = Chart([], [], [], [])
        self.flagged_at: int | None = None
        """The value, counted from 1, with which it was flagged."""
        self.slow_since: int | None = None
        """The value with which the CUSUM last left zero."""
        self.learning = True
        """Whether the baseline is still to change."""
        self._base = Baseline()
        self._air = _Air()
        self._night: int | None = None
        self._tonight: list[tuple[Array, Array]] = []
        self.cusum = 0.0
        """How far values have run ahead of the baseline, in deviations less the allowance."""
        self._scores = 0.0
        self._average = 0.0

    @property
    def count(self) -> int:
        """How many values there were."""
        return len(self.chart.times_ms)

    @property
    def nights_known(self) -> int:
        """How many nights are behind the baseline; with fewer than `LEARNED_NIGHTS` it is thin."""
        return self._base.learned

    @property
    def baseline_ms(self) -> float | None:
        """What the motion takes when all is well, in the surroundings it had at first."""
        return math.exp(self._base.level) if self._base.known else None

    @property
    def average_ms(self) -> float | None:
        """What it takes now, in the surroundings it has now."""
        known = self._base.known and not math.isnan(self.chart.average[-1])
        return math.exp(self.chart.expected[-1] + self.chart.average[-1]) if known else None

    @property
    def spread(self) -> float:
        """The deviation of the values of one night as a share of the baseline."""
        return self._base.deviation

    @property
    def night_spread(self) -> float:
        """The deviation from night to night, as a share."""
        return self._base.night_spread

    @property
    def slower(self) -> float:
        """How much slower than its baseline it is now, as a share; negative: faster."""
        return math.expm1(self._average)

    @property
    def least_slower(self) -> float:
        """The share from which on a slow-down is more than nights differ anyway, as it is now."""
        return math.expm1(self._reach(self._base.expect(np.zeros((1, 2)))[1])[0])

    def add(
        self,
        night: int,
        times_ms: Sequence[float] | Array,
        psi: Sequence[float] | Array | None = None,
        temp_degf: Sequence[float] | Array | None = None,
    ) -> None:
        """Judge times of one night, or more of the same one, by the nights before it.

        NaN stands for a pressure or warmth that nobody knows. Raises FigureError for a time that is
        not finite and above 0; nothing is taken in then.
        """
        times = np.asarray(times_ms, dtype=np.float64)
        if not len(times):
            return
        if not (np.isfinite(times).all() and times.min() > 0):
            raise FigureError("a motion takes some time, and a finite one")
        if night != self._night:
            self._end_night()
            self._night = night
        values = np.log(times)
        air = self._air.shares(len(values), psi, temp_degf)
        self._tonight.append((values, air))
        if self._base.known:
            self._judge(values, air)
        else:
            unknown = [math.nan] * len(values)
            self._draw(unknown, unknown, unknown)
        self.chart.times_ms += times.tolist()

    def _end_night(self) -> None:
        if not self._tonight:
            return
        values = np.concatenate([values for values, _ in self._tonight])
        air = np.concatenate([air for _, air in self._tonight])
        self._tonight = []
        if self.flagged_at is None:
            self._base.see(sums_of(values, air), learn=self.learning)
        base = self._base
        enough = base.learned >= LEARNED_NIGHTS and base.count >= LEARNED
        self.learning = self.flagged_at is None and not enough

    def _judge(self, values: Array, air: Array) -> None:
        """Go on with both charts, and raise the flag where they ask for it."""
        expected, uncertain = self._base.expect(air)
        off = values - expected
        deviation = self._base.deviation
        scores = _normal_scores(off / np.sqrt(deviation**2 + uncertain), self._base.free)
        reach = self._reach(uncertain)
        half_width, decision = self._half_width(), self.limits.decision
        edge = CLIP * deviation
        count = len(values)
        rows = zip(
            np.minimum(np.maximum(scores, -CLIP), CLIP).tolist(),
            off.tolist(),
            np.minimum(np.maximum(off, -edge), edge).tolist(),
            _each(reach, count),
            strict=True,
        )
        averages: list[float] = []
        cusum, means, average = self.cusum, self._scores, self._average
        since, flagged = self.slow_since, self.flagged_at
        for number, (score, far, near, most) in enumerate(rows, self.count + 1):
            cusum += score - ALLOWANCE
            if cusum <= 0.0:
                cusum = 0.0
            means += WEIGHT * (score - means)
            # A slow-down of many deviations must show in full once it lasts.
            average += WEIGHT * ((near if cusum <= decision else far) - average)
            averages.append(average)
            if flagged is None:
                if not cusum:
                    since = None
                elif since is None:
                    since = number
                if average > most and (cusum > decision or means > half_width) and number >= _SURE:
                    flagged = number
        self.cusum, self._scores, self._average = cusum, means, average
        self.slow_since, self.flagged_at = since, flagged
        limit = np.maximum(half_width * deviation, reach)
        self._draw(_each(expected, count), averages, _each(limit, count))

    def _reach(self, uncertain: Array) -> Array:
        share = ewma_half_width(1.0, WEIGHT, 1.0) ** 2
        nights = self._base.reach(uncertain, share, self.limits.chance)
        return np.maximum(nights, math.log1p(LEAST_SLOWER))

    def _half_width(self) -> float:
        return ewma_half_width(1.0, WEIGHT, self.limits.limit)

    def _draw(self, expected: list[float], average: list[float], limit: list[float]) -> None:
        """`average` and `limit` are above what is expected."""
        self.chart.expected += expected
        self.chart.average += average
        self.chart.limit += limit


class _Air:
    """Pressure and warmth as shares of 10 psi and 20 degF above what they were at first."""

    _UNITS = (10.0, 20.0)

    def __init__(self) -> None:
        self._first = [math.nan, math.nan]

    def shares(self, count: int, *known: Sequence[float] | Array | None) -> Array:
        """One row a value; what is not known is taken to be as it was at first."""
        found = np.zeros((count, len(self._UNITS)))
        for place, given in enumerate(known):
            if given is None:
                continue
            read = np.asarray(given, dtype=np.float64)
            if math.isnan(self._first[place]) and len(there := read[np.isfinite(read)]):
                self._first[place] = float(there[0])
            found[:, place] = np.nan_to_num((read - self._first[place]) / self._UNITS[place])
        return found


def _each(values: Array, count: int) -> list[float]:
    """As many values, of which one may stand for all."""
    found: list[float] = values.tolist()
    return found if len(found) == count else found * count


def _normal_scores(t: Array, free: int) -> Array:
    """Standard normal scores as unlikely as t with so many degrees of freedom.

    Source: M. Abramowitz and I. Stegun, 26.7.8.
    """
    scores: Array = t * (1 - 1 / (4 * free)) / np.sqrt(1 + t * t / (2 * free))
    return scores
