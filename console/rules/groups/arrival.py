"""When a group arrives that was last noticed somewhere: a spread of times, with long tails.

The logarithm of a walking time is close to normal; some groups dawdle, and a few run. Without the
tails a single odd group would be taken for another one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

LEG_SPREAD = 0.28
"""Standard deviation of the logarithm of one leg's time, beside the group's own pace."""
JITTER_MS = 2500.0
"""Spread that does not shrink with the distance: where in the group the head is."""
PACE_SPREAD = 0.18
"""Standard deviation of the logarithm of a group's pace, before it is known."""
LATE_SHARE, LATE_FACTOR, LATE_SPREAD = 0.025, 2.2, 0.5
EARLY_SHARE, EARLY_FACTOR, EARLY_SPREAD = 0.01, 0.55, 0.4

_ROOT_2 = math.sqrt(2.0)
_ROOT_2PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Spread:
    """The time from an anchor to an arrival: its median in ms, and the spread of its logarithm."""

    median_ms: float
    sigma: float

    def passed(self, elapsed_ms: float) -> float:
        """The share that has arrived by then."""
        if elapsed_ms <= 0:
            return 0.0
        x = math.log(elapsed_ms / self.median_ms)
        return (
            (1 - LATE_SHARE - EARLY_SHARE) * _cdf(x / self.sigma)
            + LATE_SHARE * _cdf((x - math.log(LATE_FACTOR)) / LATE_SPREAD)
            + EARLY_SHARE * _cdf((x - math.log(EARLY_FACTOR)) / EARLY_SPREAD)
        )

    def rate(self, elapsed_ms: float) -> float:
        """The density of arrivals at that moment, per ms."""
        if elapsed_ms <= 0:
            return 0.0
        x = math.log(elapsed_ms / self.median_ms)
        return (
            (1 - LATE_SHARE - EARLY_SHARE) * _pdf(x / self.sigma) / self.sigma
            + LATE_SHARE * _pdf((x - math.log(LATE_FACTOR)) / LATE_SPREAD) / LATE_SPREAD
            + EARLY_SHARE * _pdf((x - math.log(EARLY_FACTOR)) / EARLY_SPREAD) / EARLY_SPREAD
        ) / elapsed_ms


def spread(way_ms: float, legs: int, pace: float, pace_var: float, extra_ms: float = 0.0) -> Spread:
    """The spread over a way of so many legs, for a group whose log pace is known so well.

    `extra_ms` is how unsure the anchor itself is.
    """
    fixed = (JITTER_MS + extra_ms) / way_ms
    return Spread(
        way_ms * math.exp(pace),
        math.sqrt(pace_var + LEG_SPREAD**2 / max(legs, 1) + fixed**2),
    )


def _cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / _ROOT_2)


def _pdf(z: float) -> float:
    return math.exp(-0.5 * z * z) / _ROOT_2PI
