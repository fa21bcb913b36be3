"""Weibull fits against `scipy`, and what a sample cannot tell."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import CensoredData, weibull_min

from console.figures.inputs import FigureError
from console.figures.weibull import (
    Weibull,
    beta_bounds,
    fit,
    fit_by_ranks,
    quantile_bounds,
)

NIST = ([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)


def _sample(
    rng: random.Random, beta: float, eta: float, count: int, taken_out: float
) -> tuple[list[float], list[float]]:
    """Failures and survivors of parts that were each taken out at a time of its own."""
    failures, censored = [], []
    for _ in range(count):
        life = rng.weibullvariate(eta, beta)
        out = rng.uniform(0.2, 2) * taken_out
        (failures if life <= out else censored).append(min(life, out))
    return failures, censored


@settings(max_examples=40)
@given(
    st.integers(0, 2**32), st.floats(0.6, 4), st.floats(10, 1e6), st.integers(5, 60),
    st.floats(0.5, 2),
)  # fmt: skip
def test_fit_is_scipys_fit(seed: int, beta: float, eta: float, count: int, out: float) -> None:
    """On random censored samples the fit is that of scipy to 1e-4."""
    failures, censored = _sample(random.Random(seed), beta, eta, count, out * eta)
    assume(len(failures) >= 3)
    fitted = fit(failures, censored)
    # scipy searches from a start of its own: where it ended short of the top, it proves nothing.
    shape, _, scale = weibull_min.fit(
        CensoredData(uncensored=failures, right=censored), floc=0, optimizer=_search
    )
    assert fitted.beta == pytest.approx(shape, rel=1e-4)
    assert fitted.eta == pytest.approx(scale, rel=1e-4)


def _search(function: object, start: object, args: object, disp: bool) -> object:
    from scipy.optimize import fmin

    return fmin(
        function, start, args=args, disp=disp, xtol=1e-9, ftol=1e-12, maxiter=5000, maxfun=9000
    )


@given(st.integers(0, 2**32), st.floats(1e-6, 1e6))
def test_fit_goes_with_the_unit(seed: int, factor: float) -> None:
    """Cycles or hundreds of cycles: the shape stays, the scale goes along."""
    failures, censored = _sample(random.Random(seed), 1.8, 1000, 20, 900)
    assume(len(failures) >= 2)
    one = fit(failures, censored)
    other = fit([t * factor for t in failures], [t * factor for t in censored])
    assert other.beta == pytest.approx(one.beta, rel=1e-9)
    assert other.eta == pytest.approx(one.eta * factor, rel=1e-9)


@given(st.floats(0.2, 10), st.floats(1e-3, 1e9), st.floats(0.001, 0.999))
def test_quantile_and_survival_are_inverse(beta: float, eta: float, share: float) -> None:
    """By the time of a share, that share has failed."""
    fitted = Weibull(beta, eta)
    assert fitted.survival(fitted.quantile(share)) == pytest.approx(1 - share, rel=1e-9)
    assert fitted.b10 < fitted.b50


def test_bounds_hold_the_estimate_and_widen_with_confidence() -> None:
    """Bounds lie about the estimate, wider for more confidence."""
    fitted = fit(*NIST)
    for value, narrow, wide in (
        (fitted.b10, quantile_bounds(*NIST), quantile_bounds(*NIST, confidence=0.95)),
        (fitted.beta, beta_bounds(*NIST), beta_bounds(*NIST, confidence=0.95)),
    ):
        assert narrow.lower is not None
        assert narrow.upper is not None
        assert wide.lower is not None
        assert wide.upper is not None
        assert wide.lower < narrow.lower < value < narrow.upper < wide.upper


def test_bounds_are_where_scipys_likelihood_has_fallen() -> None:
    """At a bound of the shape the best log likelihood is lower by half the chi-square quantile."""
    data = CensoredData(uncensored=NIST[0], right=NIST[1])

    def best(**fixed: float) -> float:
        shape, _, scale = weibull_min.fit(data, floc=0, optimizer=_search, **fixed)
        failed = weibull_min.logpdf(NIST[0], shape, scale=scale).sum()
        return float(failed + weibull_min.logsf(NIST[1], shape, scale=scale).sum())

    bounds = beta_bounds(*NIST, confidence=0.9)
    for edge in (bounds.lower, bounds.upper):
        assert edge is not None
        # Chi-square with one degree of freedom: 2.7055 at 90 % (tables, from memory).
        assert 2 * (best() - best(fc=edge)) == pytest.approx(2.7055, abs=1e-3)


def test_bounds_cover_as_often_as_they_say() -> None:
    """Where the true life is known, 90 % bounds hold its B10 nine times in ten."""
    rng = random.Random(31)
    true = Weibull(1.7, 1000).b10
    trials, held = 120, 0
    for _ in range(trials):
        failures, censored = _sample(rng, 1.7, 1000, 30, 1000)
        bounds = quantile_bounds(failures, censored, confidence=0.9)
        assert bounds.lower is not None
        held += bounds.lower <= true <= (bounds.upper or math.inf)
    assert abs(held / trials - 0.9) < 3 * math.sqrt(0.9 * 0.1 / trials)


def test_one_failure_among_survivors_sets_no_upper_bound_worth_the_name() -> None:
    """One failure gives a fit; its upper bound is far away or none."""
    bounds = quantile_bounds([100], [500] * 10, share=0.5, confidence=0.95)
    assert bounds.lower is not None
    assert bounds.upper is None or bounds.upper > 1e6


@given(st.integers(0, 2**32))
def test_ranks_and_likelihood_agree_on_large_samples(seed: int) -> None:
    """With many failures both methods find the same life, to their own noise."""
    rng = random.Random(seed)
    failures = [rng.weibullvariate(1000, 2) for _ in range(300)]
    assert fit_by_ranks(failures).eta == pytest.approx(fit(failures).eta, rel=0.1)


def test_survivors_move_the_ranks() -> None:
    """A part taken out before the last failures lengthens the life that the ranks tell."""
    assert fit_by_ranks([16, 34, 53], [40, 40, 60]).eta > fit_by_ranks([16, 34, 53]).eta


@pytest.mark.parametrize("method", [fit, fit_by_ranks])
@pytest.mark.parametrize(
    ("failures", "censored"),
    [
        ([], [500]),
        ([100], []),
        ([100, 100], []),
        ([0, 100], []),
        ([-5, 100], []),
        ([math.nan, 100], []),
        ([100, math.inf], []),
        ([50, 100], [0]),
    ],
)
def test_samples_that_tell_nothing_are_refused(
    method: object, failures: list[float], censored: list[float]
) -> None:
    """No failure, no spread and no real time: an error, never NaN."""
    assert callable(method)
    with pytest.raises(FigureError):
        method(failures, censored)


@given(
    st.lists(st.floats(1e-6, 1e9), min_size=1, max_size=8),
    st.lists(st.floats(1e-6, 1e9), max_size=8),
)
def test_any_sample_is_fitted_or_refused(failures: list[float], censored: list[float]) -> None:
    """Whatever the times, the answer is a real life or an error."""
    for method in (fit, fit_by_ranks):
        try:
            fitted = method(failures, censored)
        except FigureError:
            continue
        assert 0 < fitted.beta < math.inf
        assert 0 < fitted.eta < math.inf
