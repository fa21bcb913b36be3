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

from console.figures.inputs import FigureError, above_zero, fraction

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
    sample = _sample(failures, censored)
    largest = max(sample.logs)
    scaled = [log - largest for log in sample.logs]
    target = sample.mean_failed - largest

    def too_steep(beta: float) -> bool:
        weights = [math.exp(beta * x) for x in scaled]
        pulled = sum(w * x for w, x in zip(weights, scaled, strict=True)) / sum(weights)
        return pulled - 1 / beta > target

    if not too_steep(_STEEPEST):
        raise FigureError(
            "these times are too alike to tell a shape from: at least two different times are "
            "needed, and the longest must not be the only failure"
        )
    low, high = 0.0, _STEEPEST
    while (middle := (low + high) / 2) not in (low, high):
        if too_steep(middle):
            high = middle
        else:
            low = middle
    total = sum(math.exp(high * x) for x in scaled)
    return _checked(high, largest + math.log(total / sample.failed) / high)


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
) -> Bounds:
    """Return the likelihood ratio interval of the time by which `share` of parts has failed.

    Raises:
        FigureError: As `fit`, or the share or confidence is not between 0 and 1.
    """
    import numpy as np

    sample = _sample(failures, censored)
    fitted = fit(sample.failures, sample.censored)
    scale = _cumulative(share)
    # Parts of one batch that still run have equal times; each time is worked out once.
    logs, counts = np.unique(sample.logs, return_counts=True)
    total = sum(sample.logs[: sample.failed])

    def profile(log_quantile: float) -> float:
        """The highest log likelihood of all shapes that keep this quantile."""
        offsets = logs - log_quantile
        weighted = counts * offsets
        pull = total - sample.failed * log_quantile

        def falling(beta: float) -> bool:
            hazard = float(weighted @ np.exp(np.minimum(beta * offsets, 700.0)))
            return sample.failed / beta + pull - scale * hazard < 0

        low, high = 0.0, _STEEPEST
        while (middle := (low + high) / 2) not in (low, high) and high - low > 1e-13 * high:
            low, high = (low, middle) if falling(middle) else (middle, high)
        return (
            sample.failed * math.log(high * scale)
            + high * pull
            - scale * float(counts @ np.exp(np.minimum(high * offsets, 700.0)))
        )

    return _interval(profile, math.log(fitted.quantile(share)), confidence)


def beta_bounds(
    failures: Iterable[float], censored: Iterable[float] = (), *, confidence: float = 0.90
) -> Bounds:
    """Return the likelihood ratio interval of the shape.

    Raises:
        FigureError: As `fit`, or the confidence is not between 0 and 1.
    """
    sample = _sample(failures, censored)
    fitted = fit(sample.failures, sample.censored)
    largest = max(sample.logs)

    def profile(log_beta: float) -> float:
        beta = math.exp(log_beta)
        total = sum(_exp(beta * (log - largest)) for log in sample.logs)
        pull = sum(log - largest for log in sample.logs[: sample.failed])
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


def _exp(power: float) -> float:
    return math.exp(min(power, 700.0))


def _interval(profile: Callable[[float], float], best: float, confidence: float) -> Bounds:
    """Where a profile of the log likelihood has fallen by half the chi-square quantile."""
    fall = NormalDist().inv_cdf((1 + fraction("the confidence", confidence)) / 2) ** 2 / 2
    floor = profile(best) - fall

    def edge(direction: float) -> float | None:
        step = 0.1
        while profile(best + direction * step) > floor:
            step *= 2
            if step > _FURTHEST:
                return None
        low, high = 0.0, step
        while high - low > 1e-10 * max(1.0, high):
            middle = (low + high) / 2
            if profile(best + direction * middle) > floor:
                low = middle
            else:
                high = middle
        return math.exp(best + direction * (low + high) / 2)

    return Bounds(edge(-1.0), edge(1.0))
