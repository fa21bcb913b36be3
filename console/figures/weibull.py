"""Weibull life of parts from replacements and from those still in use.

Sources: NIST/SEMATECH e-Handbook 8.4.1.3 (maximum likelihood with right-censored times); D.
Kececioglu, Reliability Engineering Handbook (rank regression on Y); W. Q. Meeker and L. A. Escobar,
Statistical Methods for Reliability Data (likelihood ratio bounds).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from statistics import NormalDist, fmean
from typing import TYPE_CHECKING

from console.figures.inputs import FigureError, above_zero, fraction

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# A bound further than this factor from the estimate says no more than that there is none.
_FURTHEST = 50.0
_STEEPEST = 1e4


@dataclass(frozen=True, slots=True)
class Weibull:
    """A fitted distribution: shape `beta`, and scale `eta` in the unit of the times."""

    beta: float
    eta: float

    def quantile(self, share: float) -> float:
        """Return the time by which a share of parts has failed.

        Raises:
            FigureError: The share is not between 0 and 1.
        """
        return float(self.eta * _cumulative(share) ** (1 / self.beta))

    @property
    def b10(self) -> float:
        """The time by which 10 % have failed."""
        return self.quantile(0.10)

    @property
    def b50(self) -> float:
        """The time by which half have failed."""
        return self.quantile(0.50)

    def survival(self, time: float) -> float:
        """Return the share of parts that outlive a time."""
        return math.exp(-((max(time, 0.0) / self.eta) ** self.beta))


@dataclass(frozen=True, slots=True)
class Bounds:
    """A two-sided interval; `None` where the data set no bound."""

    lower: float | None
    upper: float | None


def fit(failures: Iterable[float], censored: Iterable[float] = ()) -> Weibull:
    """Return the maximum likelihood fit of failures and right-censored times (still running).

    Raises:
        FigureError: There is no failure, a time is not above 0, or the times hold no spread from
            which a shape could be told.
    """
    return _fit(_sample(failures, censored))


def _fit(sample: _Sample) -> Weibull:
    import numpy as np

    logs, counts = sample.distinct()
    largest = float(logs.max())
    scaled = logs - largest
    target = sample.mean_failed - largest

    def too_flat(beta: float) -> float:
        weights = counts * np.exp(beta * scaled)
        return target + 1 / beta - float(weights @ scaled) / float(weights.sum())

    if too_flat(_STEEPEST) >= 0:
        raise FigureError(
            "these times are too alike to tell a shape from: at least two different times are "
            "needed, and the longest must not be the only failure"
        )
    beta = _falls_through(too_flat, 1.0)
    total = float(counts @ np.exp(beta * scaled))
    return _checked(beta, largest + math.log(total / sample.failed) / beta)


def fit_by_ranks(failures: Iterable[float], censored: Iterable[float] = ()) -> Weibull:
    """Return the fit by rank regression on Y: exact median ranks, adjusted for censored times.

    Raises:
        FigureError: There are not two different failures, or a time is not above 0.
    """
    from scipy.special import betaincinv

    sample = _sample(failures, censored)
    # A part taken out at the moment another fails has outlived it.
    order = sorted(
        zip(sample.logs, (i >= sample.failed for i in range(len(sample.logs))), strict=True)
    )
    count, rank = len(order), 0.0
    xs: list[float] = []
    ys: list[float] = []
    for place, (log, survived) in enumerate(order):
        if survived:
            continue
        rank += (count + 1 - rank) / (1 + count - place)
        xs.append(log)
        ys.append(math.log(-math.log1p(-float(betaincinv(rank, count - rank + 1, 0.5)))))
    x_mean, y_mean = fmean(xs), fmean(ys)
    spread = sum((x - x_mean) ** 2 for x in xs)
    if spread <= 1e-18 * max(1.0, x_mean**2):
        raise FigureError("these times are too alike: a line needs two different failures")
    beta = sum((x - x_mean) * (y - y_mean) for x, y in zip(xs, ys, strict=True)) / spread
    return _checked(beta, x_mean - y_mean / beta)


def quantile_bounds(
    failures: Iterable[float],
    censored: Iterable[float] = (),
    *,
    share: float = 0.10,
    confidence: float = 0.90,
    fitted: Weibull | None = None,
) -> Bounds:
    """Return the likelihood ratio interval of the time by which `share` of parts has failed.

    `fitted` is the fit of these times, for those who have it already.

    Raises:
        FigureError: As `fit`, or the share or confidence is not between 0 and 1.
    """
    import numpy as np

    sample = _sample(failures, censored)
    fitted = fitted or _fit(sample)
    scale = _cumulative(share)
    logs, counts = sample.distinct()
    total = sum(sample.logs[: sample.failed])
    best = fitted.beta

    def profile(log_quantile: float) -> float:
        """The highest log likelihood of all shapes that keep this quantile."""
        nonlocal best
        offsets = logs - log_quantile
        weighted = counts * offsets
        pull = total - sample.failed * log_quantile

        def slope(beta: float) -> float:
            hazard = float(weighted @ np.exp(np.minimum(beta * offsets, 700.0)))
            return sample.failed / beta + pull - scale * hazard

        # Near the shape of the quantile before. At its top the likelihood is flat.
        best = _falls_through(slope, best, 1e-8)
        return (
            sample.failed * math.log(best * scale)
            + best * pull
            - scale * float(counts @ np.exp(np.minimum(best * offsets, 700.0)))
        )

    return _interval(profile, math.log(fitted.quantile(share)), confidence)


def beta_bounds(
    failures: Iterable[float],
    censored: Iterable[float] = (),
    *,
    confidence: float = 0.90,
    fitted: Weibull | None = None,
) -> Bounds:
    """Return the likelihood ratio interval of the shape; `fitted` as in `quantile_bounds`.

    Raises:
        FigureError: As `fit`, or the confidence is not between 0 and 1.
    """
    import numpy as np

    sample = _sample(failures, censored)
    fitted = fitted or _fit(sample)
    logs, counts = sample.distinct()
    scaled = logs - logs.max()
    pull = sum(sample.logs[: sample.failed]) - sample.failed * float(logs.max())

    def profile(log_beta: float) -> float:
        beta = math.exp(log_beta)
        total = float(counts @ np.exp(beta * scaled))
        return sample.failed * (log_beta - math.log(total)) + beta * pull

    return _interval(profile, math.log(fitted.beta), confidence)


@dataclass(frozen=True, slots=True)
class _Sample:
    failures: tuple[float, ...]
    censored: tuple[float, ...]
    logs: tuple[float, ...]  # failures first

    @property
    def failed(self) -> int:
        return len(self.failures)

    @property
    def mean_failed(self) -> float:
        return fmean(self.logs[: self.failed])

    def distinct(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Each different time and how often it is there: parts of one batch have equal ones."""
        import numpy as np

        return np.unique(np.array(self.logs), return_counts=True)


def _sample(failures: Iterable[float], censored: Iterable[float]) -> _Sample:
    failed, running = tuple(failures), tuple(censored)
    if not failed:
        raise FigureError("without one failure there is no life to fit")
    for time in failed + running:
        above_zero("a time", time)
    return _Sample(failed, running, tuple(math.log(time) for time in failed + running))


def _cumulative(share: float) -> float:
    return -math.log1p(-fraction("the share", share))


def _checked(beta: float, log_eta: float) -> Weibull:
    if not 0 < beta < _STEEPEST or not -700 < log_eta < 700:
        raise FigureError("these times do not fit a Weibull life")
    return Weibull(beta, math.exp(log_eta))


def _interval(profile: Callable[[float], float], best: float, confidence: float) -> Bounds:
    """Where a profile of the log likelihood has fallen by half the chi-square quantile."""
    fall = NormalDist().inv_cdf((1 + fraction("the confidence", confidence)) / 2) ** 2 / 2
    floor = profile(best) - fall

    def edge(direction: float) -> float | None:
        def above(step: float) -> float:
            return profile(best + direction * step) - floor

        step = 0.1
        while (beyond := above(step)) > 0:
            step *= 2
            if step > _FURTHEST:
                return None
        return math.exp(best + direction * _root(above, (0.0, fall), (step, beyond), 1e-9))

    return Bounds(edge(-1.0), edge(1.0))


def _falls_through(
    value: Callable[[float], float], guess: float, tolerance: float = 1e-13
) -> float:
    """Where a function of what is above 0 falls through 0; `_STEEPEST` where only past that."""
    low = high = guess
    at_low = at_high = value(guess)
    wider = 1.02
    while at_low < 0:
        high, at_high = low, at_low
        low /= wider
        at_low = value(low)
        wider *= wider
    while at_high > 0:
        if high >= _STEEPEST:
            return _STEEPEST
        low, at_low = high, at_high
        high = min(high * wider, _STEEPEST)
        at_high = value(high)
        wider *= wider
    return _root(value, (low, at_low), (high, at_high), tolerance)


def _root(
    value: Callable[[float], float],
    low: tuple[float, float],
    high: tuple[float, float],
    tolerance: float,
) -> float:
    """Where a function is 0 between two places (x, value), above 0 at the first, not at the second.

    By false position, the value of an end that stays halved (Illinois method; M. Dowell and P.
    Jarratt, 1971); every fourth step halves the interval, so that it cannot creep.
    """
    (a, above), (b, below) = low, high
    stayed = 0
    for step in range(400):
        if b - a <= tolerance * max(1.0, b) or below == 0:
            break
        x = (a + b) / 2 if step % 4 == 3 else b - below * (b - a) / (below - above)
        x = x if a < x < b else (a + b) / 2
        found = value(x)
        if found > 0:
            a, above = x, found
            below, stayed = (below / 2 if stayed > 0 else below), 1
        else:
            b, below = x, found
            above, stayed = (above / 2 if stayed < 0 else above), -1
    return b
