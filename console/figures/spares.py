"""How many spares cover a demand, when failures come at random.

Source: Poisson distribution; the least n with P(X <= n) >= confidence.
"""

from __future__ import annotations

from collections.abc import Iterable

from console.figures.inputs import FigureError, fraction, not_negative

_MOST = 1e9


def chance_enough(spares: int, mean: float) -> float:
    """Return P(X <= spares), the chance that a Poisson demand with a mean is covered.

    Raises:
        FigureError: The mean or the spares are under 0.
    """
    from scipy.special import gammaincc

    not_negative("the spares", spares)
    return float(gammaincc(spares + 1, not_negative("the mean", mean)))


def spares(mean: float, confidence: float) -> int:
    """Return the fewest spares that cover a Poisson demand with a confidence.

    Raises:
        FigureError: The mean is under 0 or beyond reason, or the confidence not between 0 and 1.
    """
    fraction("the confidence", confidence)
    if not_negative("the mean", mean) > _MOST:
        raise FigureError(f"a mean of {mean:g} is beyond any van")
    low, high = -1, 1
    while chance_enough(high, mean) < confidence:
        low, high = high, high * 2
        if high > 4 * _MOST:
            raise FigureError(f"a confidence of {confidence!r} is too near 1 to be reached")
    while high - low > 1:
        middle = (low + high) // 2
        if chance_enough(middle, mean) < confidence:
            low = middle
        else:
            high = middle
    return high


def pooled_mean(means: Iterable[float]) -> float:
    """Return the mean demand of a kind that several props share: Poisson demands add.

    Raises:
        FigureError: A mean is under 0.
    """
    return sum(not_negative("a mean", mean) for mean in means)
