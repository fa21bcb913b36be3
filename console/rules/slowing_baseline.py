"""What a motion takes when all is well, and how far its nights lie apart by themselves.

The logarithm of a time is taken for a level, what pressure and warmth do to it, what is odd about
its night, and its own noise: a one-way random model, the nights being its groups. Level and slopes
are fitted by generalised least squares, so hundreds of times in one night say no more about other
nights than one night can. Noise is pooled within nights. The spread between nights comes from the
differences of successive ones, to which wear adds little.

Sources: S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992), ch. 3 (one-way
random model); J. von Neumann et al., The mean square successive difference (1941); F. E.
Satterthwaite, An approximate distribution of estimates of variance components (1946).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CLIP = 3.5
"""One value counts for no more than this many deviations: a guest in the way is no wear."""
LEAST_SPREAD = 0.01
"""Spread below this is the clock's, not the motion's."""
NIGHT_VALUES = 8
"""A night with fewer values says nothing about nights."""
_NIGHT_SPREAD = 0.02
"""What nights differ by before that is known, as a share,"""
_NIGHT_PRIOR = 4.0
"""worth so many nights."""
_LEAST_NIGHT_SPREAD = 0.005
_FURTHEST = 1.5
"""Two nights further apart than so many deviations are taken for so far apart: it may be wear."""
_KEPT = 0.7785
"""What is left of a mean square that is cut off there: P(X3 < c) + c P(X1 > c), X chi-square."""
_SWINGS = 6.0
"""So often an average swings within a night by its noise, while what is odd about the night stays.
The more of its variance is noise, the more chances it has to go astray."""
# What 10 psi and 20 degF more do to a time, as a share, before it is known, and how far that may be
# off. Pressure varies within each night and is soon learned. Warmth hardly does, so what is known
# beforehand counts: the flow through a valve goes with the root of the temperature (2 % for
# 20 degF), and cold grease and seals add to it.
_SLOPES = np.array([0.0, -0.03])
_SLOPE_PRIOR = np.array([0.10, 0.02])
_DEVIATION_PER_MAD = 1.4826
_LEAST_FREE = 8


@dataclass(frozen=True, slots=True)
class NightSums:
    """One night: how many values, their mean, the mean of the air, and what varied within it.

    `within` holds squares and products about the means, of (value, pressure, warmth).
    """

    count: int
    level: float
    air: Array
    within: Array


def sums_of(values: Array, air: Array) -> NightSums:
    """Sum up a night's values, those far out from its middle pulled in."""
    half = len(values) // 2
    middle = float(np.sort(values)[half])
    spread = _DEVIATION_PER_MAD * float(np.sort(np.abs(values - middle))[half])
    edge = CLIP * max(spread, LEAST_SPREAD)
    rows = np.column_stack((np.clip(values, middle - edge, middle + edge), air))
    means = rows.sum(axis=0) / len(rows)
    rows -= means
    return NightSums(len(values), float(means[0]), means[1:], rows.T @ rows)


class Baseline:
    """Learned from whole nights, oldest first."""

    def __init__(self) -> None:
        self.count = 0
        """How many values are behind it,"""
        self.learned = 0
        """and how many nights that were long enough to tell."""
        self.level = 0.0
        self.slopes = _SLOPES
        self.deviation = 0.0
        """What single values scatter within a night, as a share; 0 before anything is known."""
        self.night_spread = _NIGHT_SPREAD
        """What nights differ by, as a share."""
        self._night_free = _NIGHT_PRIOR
        self._inverse = np.zeros((3, 3))
        self._within = np.zeros((3, 3))
        self._nights: list[NightSums] = []
        self._long: list[NightSums] = []

    @property
    def known(self) -> bool:
        """Whether values can be judged by it."""
        return self.free >= _LEAST_FREE

    @property
    def free(self) -> int:
        """The degrees of freedom of the deviation."""
        return self.count - len(self._nights)

    def see(self, night: NightSums, *, learn: bool) -> None:
        """Take in a night that went well; `learn` if it is to be part of the baseline."""
        if night.count >= NIGHT_VALUES:
            self._long.append(night)
        if learn:
            self._nights.append(night)
            self.count += night.count
            self.learned += night.count >= NIGHT_VALUES
            self._within = self._within + night.within
        if self.free > 0:
            self._scatter()
            self._compare()
            if learn:
                self._fit()

    def expect(self, air: Array) -> tuple[Array, Array]:
        """(expected, variance of that) for rows of the air, as shares of 10 psi and 20 degF.

        One row stands for all where each is as it was at first.
        """
        if not air.any():
            return np.array([self.level]), self._inverse[:1, 0]
        rows = np.column_stack((np.ones(len(air)), air))
        leverage = np.einsum("ij,jk,ik->i", rows, self._inverse, rows)
        return self.level + air @ self.slopes, leverage

    def reach(self, uncertain: Array, share: float, chance: float) -> Array:
        """How far an average of a healthy night lies above what is expected, but for a chance.

        `uncertain` is the variance of what is expected; `share` is what an average scatters of the
        variance of single values.
        """
        from scipy.special import stdtrit

        between = self.night_spread**2 + uncertain
        whole = between + share * self.deviation**2
        free = self._night_free * (whole / between) ** 2
        looks = 1 + _SWINGS * (1 - between / whole)
        found: Array = stdtrit(free, 1 - chance / looks) * np.sqrt(whole)
        return found

    def _fit(self) -> None:
        nights, within = self._nights, self._within
        counts = np.array([night.count for night in nights])
        weights = counts / (self.deviation**2 + counts * self.night_spread**2)
        rows = np.column_stack((np.ones(len(nights)), np.array([night.air for night in nights])))
        matrix = (rows.T * weights) @ rows
        vector = rows.T @ (weights * np.array([night.level for night in nights]))
        matrix[1:, 1:] += within[1:, 1:] / self.deviation**2 + np.diag(_SLOPE_PRIOR**-2)
        vector[1:] += within[1:, 0] / self.deviation**2 + _SLOPES * _SLOPE_PRIOR**-2
        self._inverse = np.linalg.inv(matrix)
        level, *slopes = self._inverse @ vector
        self.level, self.slopes = float(level), np.array(slopes)
        self._scatter()

    def _scatter(self) -> None:
        """What is left within nights once the air's doing is taken off."""
        off = np.concatenate(([1.0], -self.slopes))
        left = max(float(off @ self._within @ off), 0.0)
        self.deviation = max(math.sqrt(left / self.free), LEAST_SPREAD)

    def _compare(self) -> None:
        """What nights differ by: successive ones, what their means scatter anyway taken off."""
        total, pairs = _NIGHT_PRIOR * _NIGHT_SPREAD**2, 0
        for before, night in zip(self._long, self._long[1:], strict=False):
            apart = night.level - before.level - float((night.air - before.air) @ self.slopes)
            noise = self.deviation**2 * (1 / before.count + 1 / night.count) / 2
            furthest = _FURTHEST**2 * (total / (_NIGHT_PRIOR + pairs) + noise)
            total += min(apart**2 / 2, furthest) / _KEPT - noise
            pairs += 1
        spread = math.sqrt(max(total / (_NIGHT_PRIOR + pairs), 0.0))
        self.night_spread = max(spread, _LEAST_NIGHT_SPREAD)
        # Successive differences share nights: worth fewer than as many independent ones.
        self._night_free = _NIGHT_PRIOR + (2 * pairs**2 / (3 * pairs - 1) if pairs else 0.0)
