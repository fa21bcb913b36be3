"""A baseline learned while it is used: each value judged by those before it.

Until a part has been in service for long its true mean and spread are not known. Each new value is
compared with the mean and spread of the earlier ones and turned into a standard normal score, so a
chart may start with the third value.

Source: D. M. Hawkins, Self-starting CUSUM charts for location and scale (1987).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from console.figures.inputs import finite, not_negative

# Scores further out than this carry no more news, and would swamp a chart's memory.
_FURTHEST = 8.0


@dataclass(frozen=True, slots=True)
class Baseline:
    """Count, mean and sum of squared deviations of the values so far."""

    count: int = 0
    mean: float = 0.0
    squares: float = 0.0

    @property
    def sigma(self) -> float:
        """The standard deviation so far; 0 under two values."""
        return math.sqrt(self.squares / (self.count - 1)) if self.count > 1 else 0.0

    def with_value(self, value: float) -> Baseline:
        """Return the baseline with one more value.

        Raises:
            FigureError: The value is not finite.
        """
        finite("a value", value)
        count = self.count + 1
        off = value - self.mean
        mean = self.mean + off / count
        return Baseline(count, mean, self.squares + off * (value - mean))

    def score(self, value: float, *, least_sigma: float = 0.0) -> float | None:
        """Return the standard normal score of a new value, `None` until two values are known.

        `least_sigma` is the least spread taken for real, such as a clock's resolution.

        Raises:
            FigureError: The value is not finite, or the least spread under 0.
        """
        from scipy.special import ndtri, stdtr

        finite("a value", value)
        sigma = max(self.sigma, not_negative("the least spread", least_sigma))
        if self.count < 2:
            return None
        off = value - self.mean
        if sigma == 0:
            return 0.0 if off == 0 else math.copysign(_FURTHEST, off)
        t = math.sqrt(self.count / (self.count + 1)) * off / sigma
        # The lower tail keeps its digits; the upper one is its mirror.
        tail = float(ndtri(stdtr(self.count - 1, -abs(t))))
        return math.copysign(min(-tail, _FURTHEST), t)
