"""Charts that find a slow change: EWMA and tabular CUSUM, both two-sided.

Signals count the values from 1. A chart that is not reset goes on signalling while it stands
outside; one that is reset starts afresh after each signal, as after a repair.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 and 6.3.2.4; J. M. Lucas and R. B.
Crosier (1982) for the head start.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from console.figures.inputs import FigureError, above_zero, finite, not_negative


@dataclass(frozen=True, slots=True)
class Ewma:
    """An EWMA chart: one average a value, the limits it settles to, and where it lay outside."""

    ewma: tuple[float, ...]
    upper: float
    lower: float
    signals: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Cusum:
    """A CUSUM chart: sums above and below the target, and where either passed the decision."""

    high: tuple[float, ...]
    low: tuple[float, ...]
    signals: tuple[int, ...]


def ewma_step(before: float, value: float, weight: float) -> float:
    """Return the next average: weight x value + (1 - weight) x before."""
    return weight * value + (1 - weight) * before


def ewma_half_width(sigma: float, weight: float, limit: float, count: int | None = None) -> float:
    """Return how far from the start the limits lie: L sigma sqrt(w / (2 - w)).

    With `count`, the exact width after so many values: x sqrt(1 - (1 - w)^(2 count)).
    """
    width = limit * sigma * math.sqrt(weight / (2 - weight))
    return width if count is None else width * math.sqrt(1 - (1 - weight) ** (2 * count))


def ewma(
    values: Iterable[float],
    *,
    start: float,
    sigma: float,
    weight: float,
    limit: float,
    exact: bool = False,
    reset: bool = False,
) -> Ewma:
    """Return an EWMA chart of `values` about `start`, with limits at `limit` sigmas of it.

    With `exact` the limits widen from the first value on, as the average's spread does; `upper`
    and `lower` are what they settle to. With `reset` the average returns to `start` after a signal.

    Raises:
        FigureError: A value is not finite, sigma or the limit not above 0, or the weight not above
            0 and at most 1.
    """
    finite("the start", start)
    above_zero("sigma", sigma)
    above_zero("the limit", limit)
    if not 0 < weight <= 1:
        raise FigureError(f"the weight must be above 0 and at most 1, not {weight:g}")
    settled = ewma_half_width(sigma, weight, limit)
    averages: list[float] = []
    signals: list[int] = []
    average, since = start, 0
    for number, value in enumerate(values, start=1):
        average = ewma_step(average, finite(f"value {number}", value), weight)
        since += 1
        averages.append(average)
        width = ewma_half_width(sigma, weight, limit, since) if exact else settled
        if abs(average - start) > width:
            signals.append(number)
            if reset:
                average, since = start, 0
    return Ewma(tuple(averages), start + settled, start - settled, tuple(signals))


def cusum_step(
    high: float, low: float, value: float, target: float, allowance: float
) -> tuple[float, float]:
    """Return the next sums: max(0, S + x - target - k) and max(0, S + target - x - k)."""
    return max(0.0, high + value - target - allowance), max(0.0, low + target - value - allowance)


def cusum(
    values: Iterable[float],
    *,
    target: float,
    allowance: float,
    decision: float,
    head_start: float = 0.0,
    reset: bool = False,
) -> Cusum:
    """Return a tabular CUSUM of `values`; all inputs in the unit of the values.

    `head_start` is what both sums begin with, often half the decision. With `reset` both return to
    it after a signal.

    Raises:
        FigureError: A value or the target is not finite, the allowance or the head start under 0,
            the decision not above 0, or the head start at or above the decision.
    """
    finite("the target", target)
    not_negative("the allowance", allowance)
    above_zero("the decision", decision)
    if not_negative("the head start", head_start) >= decision:
        raise FigureError("a head start at or above the decision would signal at once")
    highs: list[float] = []
    lows: list[float] = []
    signals: list[int] = []
    high = low = head_start
    for number, value in enumerate(values, start=1):
        finite(f"value {number}", value)
        high, low = cusum_step(high, low, value, target, allowance)
        highs.append(high)
        lows.append(low)
        if high > decision or low > decision:
            signals.append(number)
            if reset:
                high = low = head_start
    return Cusum(tuple(highs), tuple(lows), tuple(signals))
