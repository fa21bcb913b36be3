"""Whether a motion takes longer than it used to, and what the ledger's counts say beside that.

One stream is what one motion takes in one direction in one sequence. Its baseline begins with the
first cycle after a service and judges every value from the third on by those before it, so nothing
need be told in advance; after `LEARNED` values it stands still, or it would learn the wear itself.
Two one-sided charts look at the scores: a CUSUM for lasting shifts, an EWMA for what is slow now.
One must be far outside, and the motion at least `LEAST_SLOWER` slower and slower than nights differ
from each other anyway, before anybody is told: a damp night or a tired compressor is no wear.

Values are logarithms of times, so a share is a share for fast and slow motions alike. Where
pressure and temperature are known the baseline learns what they do and takes it off.

Sources: D. M. Hawkins, Self-starting CUSUM charts for location and scale (1987); recursive
residuals of R. L. Brown, J. Durbin and J. M. Evans (1975); NIST/SEMATECH e-Handbook 6.3.2.3-4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from console.figures.drift import ewma_half_width, ewma_step
from console.figures.inputs import finite
from console.figures.run_length import cusum_decision_for, ewma_run_length

LEARNED = 150
"""Cycles after which the baseline stands still,"""
LEARNED_NIGHTS = 3
"""in so many nights at least, for no two nights are alike,"""
_LEARNED_AT_MOST = 600
"""or so many cycles, should a night be very long."""
LEAST_SLOWER = 0.05
"""Less than this share is of no consequence for a scare, however sure it is."""
NIGHT_SPREADS = 3.5
"""So many deviations of a night's mean are the weather's or the crowd's, not the motion's."""
_NIGHT_PRIOR = 0.02
"""What nights differ by before that is known, worth two of them."""
_NIGHT_VALUES = 8
"""A night with fewer values says nothing about nights."""
ALLOWANCE = 1.0
WEIGHT = 0.1
CLIP = 3.5
"""One value counts for no more than this many deviations: a guest in the way is no wear."""
LEAST_SPREAD = 0.01
"""Spread below this is the clock's, not the motion's."""
NIGHTS_A_FLAG = 10
"""A site is to have at most one false flag in so many nights."""
_SURE = 20
"""Before so many values no flag is raised: the share could not be told yet."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Where the charts signal, in deviations. `run_length` is how many healthy values a chart sees
    for each false signal of its own."""

    decision: float
    limit: float
    run_length: float


def limits_for(values_a_night: float, nights: int = NIGHTS_A_FLAG) -> Limits:
    """Limits that give a site at most one false flag in `nights` by either chart.

    `values_a_night` counts every value of every stream of the site.
    """
    # Rounded up to two digits, so that the integral equations are solved once and not every night.
    wanted = max(2.0 * nights * max(values_a_night, 1.0), 1000.0)
    digits = 10 ** (math.floor(math.log10(wanted)) - 1)
    return _limits(min(math.ceil(wanted / digits) * digits, 2e8))


@lru_cache(maxsize=32)
def _limits(run_length: float) -> Limits:
    # Both charts are asked for two sides; one side alone signals half as often.
    decision = cusum_decision_for(ALLOWANCE, run_length / 2)
    low, high = 2.0, 7.0
    while high - low > 1e-4:
        middle = (low + high) / 2
        if ewma_run_length(WEIGHT, middle) < run_length / 2:
            low = middle
        else:
            high = middle
    return Limits(decision, high, run_length)


class Point(NamedTuple):
    """One value on the charts. `expected_ms` is what the baseline says for its surroundings."""

    ms: float
    expected_ms: float | None
    score: float | None
    slower: float
    cusum: float
    limit_ms: float | None
    """Where the average would be outside the EWMA's limit."""
    average_ms: float | None


class Stream:
    """One motion's times in one direction and sequence, from one service on."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.count = 0
        self.flagged_at: int | None = None
        """The value, counted from 1, with which it was flagged."""
        self.slow_since: int | None = None
        """The value with which the CUSUM last left zero."""
        self._learn = _Learner()
        self._cusum = 0.0
        self._average: float | None = None
        self._scores = 0.0
        self._nights = _Nights()

    @property
    def learning(self) -> bool:
        """Whether the baseline still changes with each value."""
        enough = self._nights.seen >= LEARNED_NIGHTS or self.count >= _LEARNED_AT_MOST
        return self.count < LEARNED or not enough

    @property
    def baseline_ms(self) -> float | None:
        """What the motion takes when all is well, in the surroundings it had at first."""
        return None if self.count < 2 else math.exp(self._learn.coefficients[0])

    @property
    def spread(self) -> float:
        """The deviation of the values as a share of the baseline."""
        return self._learn.deviation

    @property
    def slower(self) -> float:
        """How much slower than its baseline it is now, as a share; negative: faster."""
        return math.expm1(self._average or 0.0)

    @property
    def least_slower(self) -> float:
        """The share from which on a slow-down is more than nights differ anyway."""
        if not self._nights.told:
            return LEAST_SLOWER
        night = self._nights.spread**2 * (1 + 1 / max(self._nights.learned, 1))
        average = (ewma_half_width(1.0, WEIGHT, 1.0) * self.spread) ** 2
        return max(LEAST_SLOWER, NIGHT_SPREADS * math.sqrt(night + average))

    def add(
        self,
        ms: float,
        psi: float | None = None,
        temp_degf: float | None = None,
        night: int | None = None,
    ) -> Point:
        """Judge one value by those before it, then learn from it.

        `night` tells nights apart; without it every value is its own and none is learned of nights.
        Raises FigureError for a value that is not finite, ValueError for one not above 0.
        """
        if finite("a travel time", ms) <= 0:
            raise ValueError(f"a motion cannot take {ms:g} ms")
        learn = self._learn
        steady = self._cusum < self.limits.decision / 2
        self._nights.enter(night, steady=steady, deviation=learn.deviation, learning=self.learning)
        learning = self.learning
        self.count += 1
        row = learn.row(psi, temp_degf)
        judged = learn.judge(row, math.log(ms))
        expected = None
        if judged is not None:
            expected, off, score = judged
            self._chart(off, score)
            # Less the surroundings, but not less the baseline: that follows the nights it learns.
            self._nights.add(off + learn.coefficients[0])
        if learning:
            learn.add(row, math.log(ms))
        if (
            self.flagged_at is None
            and self.count >= _SURE
            and (self._cusum > self.limits.decision or self._scores > self._half_width())
            and self.slower >= self.least_slower
        ):
            self.flagged_at = self.count
        known = expected is not None and self._average is not None
        return Point(
            ms=ms,
            expected_ms=None if expected is None else math.exp(expected),
            score=None if judged is None else judged[2],
            slower=self.slower,
            cusum=self._cusum,
            limit_ms=math.exp(expected + self._half_width() * learn.deviation)
            if expected is not None
            else None,
            average_ms=math.exp(expected + (self._average or 0.0))
            if known and expected is not None
            else None,
        )

    def _chart(self, off: float, score: float) -> None:
        kept = max(-CLIP, min(CLIP, score))
        before = self._cusum
        self._cusum = max(0.0, before + kept - ALLOWANCE)
        if before == 0.0 < self._cusum and self.flagged_at is None:
            self.slow_since = self.count
        elif self._cusum == 0.0 and self.flagged_at is None:
            self.slow_since = None
        self._scores = ewma_step(self._scores, kept, WEIGHT)
        deviation = self._learn.deviation
        kept_off = max(-CLIP * deviation, min(CLIP * deviation, off))
        # A slow-down of many deviations must show in full once it lasts.
        heavy = kept_off if self._cusum <= self.limits.decision else off
        self._average = ewma_step(self._average or 0.0, heavy, WEIGHT)

    def _half_width(self) -> float:
        return ewma_half_width(1.0, WEIGHT, self.limits.limit)


class _Nights:
    """How far nights differ: by the differences of successive means, to which wear adds little.

    Source: J. von Neumann et al., The mean square successive difference (1941).
    """

    def __init__(self) -> None:
        self.seen = LEARNED_NIGHTS
        """How many nights there were; enough, as long as nobody tells them apart."""
        self.learned = 0
        """How many of them are behind the baseline."""
        self._now: int | None = None
        self._sum = 0.0
        self._count = 0
        self._before: float | None = None
        self._squares = 2 * _NIGHT_PRIOR**2
        self._pairs = 2

    @property
    def told(self) -> bool:
        """Whether nights are told apart at all."""
        return self._now is not None

    @property
    def spread(self) -> float:
        """The deviation from night to night, as a share."""
        return math.sqrt(max(self._squares, 0.0) / self._pairs)

    def enter(self, night: int | None, *, steady: bool, deviation: float, learning: bool) -> None:
        """A value of this night comes; `steady` says that nothing was slow when the last ended."""
        if night is None or night == self._now:
            return
        self.seen = 1 if self._now is None else self.seen + 1
        self.learned += learning
        if self._count >= _NIGHT_VALUES and steady:
            mean = self._sum / self._count
            if self._before is not None:
                # What the means scatter by themselves is no difference between nights.
                noise = deviation**2 / self._count
                self._squares += (mean - self._before) ** 2 / 2 - noise
                self._pairs += 1
            self._before = mean
        self._now, self._sum, self._count = night, 0.0, 0

    def add(self, value: float) -> None:
        """A value of this night, what pressure and warmth do to it taken off."""
        self._sum += value
        self._count += 1


_AS_AT_FIRST = (1.0, 0.0, 0.0)
"""A row for surroundings that are unknown, or as they were with the first value."""


class _Learner:
    """Least squares on the values so far, one by one: mean, and what pressure and warmth do."""

    # A slope of 10 % for 10 psi or 20 degF is held for as likely as one deviation of 5 %.
    _RIDGE = (0.05 / 0.10) ** 2

    def __init__(self) -> None:
        self.count = 0
        self.coefficients = (0.0, 0.0, 0.0)
        self._inverse: tuple[tuple[float, float, float], ...] = ((0.0, 0.0, 0.0),) * 3
        self._matrix = [[0.0, 0.0, 0.0], [0.0, self._RIDGE, 0.0], [0.0, 0.0, self._RIDGE]]
        self._vector = [0.0, 0.0, 0.0]
        self._squares = 0.0
        self._first_psi: float | None = None
        self._first_degf: float | None = None
        self._varied = [False, False]
        self.deviation = 0.0
        """The spread of what is left over; 0 before two values."""

    def row(self, psi: float | None, degf: float | None) -> tuple[float, float, float]:
        """The surroundings as a row of the fit; what is not known is taken to be as at first."""
        if self._first_psi is None:
            self._first_psi = psi
        if self._first_degf is None:
            self._first_degf = degf
        return (
            1.0,
            0.0 if psi is None else (psi - (self._first_psi or psi)) / 10,
            0.0 if degf is None else (degf - (self._first_degf or degf)) / 20,
        )

    def judge(
        self, row: tuple[float, float, float], value: float
    ) -> tuple[float, float, float] | None:
        """(expected, off, score) of a new value, None while there are not two to judge it by."""
        free = self._free()
        if free <= 0:
            return None
        expected, leverage = self._expect(row)
        off = value - expected
        t = off / (self.deviation * math.sqrt(1.0 + leverage))
        return expected, off, _normal_score(t, free)

    def add(self, row: tuple[float, float, float], value: float) -> None:
        """Learn from a value; one far out is learned from as if it were at the edge."""
        if self.count:
            expected, leverage = self._expect(row)
            off = value - expected
            if self.count >= 10:
                furthest = CLIP * self.deviation
                off = max(-furthest, min(furthest, off))
                value = expected + off
            self._squares += off * off / (1.0 + leverage)
        self.count += 1
        for i, x in enumerate(row):
            self._vector[i] += x * value
            for j, y in enumerate(row):
                self._matrix[i][j] += x * y
        self._varied = [was or x != 0.0 for was, x in zip(self._varied, row[1:], strict=True)]
        self._inverse = _inverse(self._matrix)
        a, b, c = (sum(r * v for r, v in zip(line, self._vector, strict=True))
                   for line in self._inverse)  # fmt: skip
        self.coefficients = (a, b, c)
        free = self._free()
        if free > 0:
            self.deviation = max(math.sqrt(self._squares / free), LEAST_SPREAD)

    def _free(self) -> int:
        return self.count - 1 - sum(self._varied)

    def _expect(self, row: tuple[float, float, float]) -> tuple[float, float]:
        if row == _AS_AT_FIRST:
            return self.coefficients[0], self._inverse[0][0]
        expected = sum(c * x for c, x in zip(self.coefficients, row, strict=True))
        spread = [sum(a * x for a, x in zip(line, row, strict=True)) for line in self._inverse]
        return expected, sum(s * x for s, x in zip(spread, row, strict=True))


def _normal_score(t: float, free: int) -> float:
    """The standard normal score as unlikely as t with so many degrees of freedom.

    From 100 on by the approximation of M. Abramowitz and I. Stegun, 26.7.8.
    """
    if free >= 100:
        return t * (1 - 1 / (4 * free)) / math.sqrt(1 + t * t / (2 * free))
    from scipy.special import ndtri, stdtr

    tail = float(ndtri(stdtr(free, -abs(t))))
    return math.copysign(min(-tail, 8.0), t)


def _inverse(m: Sequence[Sequence[float]]) -> tuple[tuple[float, float, float], ...]:
    """The inverse of a positive 3 x 3 matrix by its adjugate."""
    (a, b, c), (d, e, f), (g, h, i) = m
    p, q, r = e * i - f * h, f * g - d * i, d * h - e * g
    determinant = a * p + b * q + c * r
    return (
        (p / determinant, (c * h - b * i) / determinant, (b * f - c * e) / determinant),
        (q / determinant, (a * i - c * g) / determinant, (c * d - a * f) / determinant),
        (r / determinant, (b * g - a * h) / determinant, (a * e - b * d) / determinant),
    )
