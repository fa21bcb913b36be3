"""Published values of life, drift, queues and spares, each with its source beside it."""

from __future__ import annotations

import pytest

from console.figures.drift import cusum, ewma
from console.figures.life import PNEUMATIC_B10D_CYCLES, b10d_from_b10, life
from console.figures.queueing import blocked, erlang_b, offered_for
from console.figures.spares import chance_enough, spares
from console.figures.weibull import fit, fit_by_ranks

# NIST/SEMATECH e-Handbook 6.3.2.4.
NIST_EWMA = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
# NIST/SEMATECH e-Handbook 6.3.2.3.
NIST_CUSUM = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
)  # fmt: skip
# D. C. Montgomery, Introduction to Statistical Quality Control, table 9.1: mean 10, sigma 1, and
# from the 21st on mean 11.
MONTGOMERY = (
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
    9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
    10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
)  # fmt: skip


def test_iso_13849_example() -> None:
    """220 days of 16 h, a start every 5 s, B10d 60e6."""
    # ISO 13849-1:2006 C.4.3: n_op 2.53e6, T10d 23.7 years, MTTFd 237 years.
    result = life(60e6, 220, 16, 5)
    assert f"{result.n_op_per_year:.3g}" == "2.53e+06"
    assert f"{result.t10d_years:.3g}" == "23.7"
    assert f"{result.mttfd_years:.3g}" == "237"


def test_pneumatic_b10d() -> None:
    """Pneumatic components are good for 20 million cycles."""
    # ISO 13849-1:2006 table C.1; and B10d = 2 x B10 where half of failures are dangerous.
    assert PNEUMATIC_B10D_CYCLES == 20_000_000
    assert b10d_from_b10(10_000_000) == 20_000_000


def test_seasonal_life() -> None:
    """30 nights of 5 h, a start every 45 s (identity)."""
    result = life(20e6, 30, 5, 45)
    assert result.n_op_per_year == pytest.approx(12_000, abs=1e-2)
    assert result.t10d_years == pytest.approx(1666.67, abs=1e-2)


def test_nist_weibull() -> None:
    """Ten failures and ten survivors give the handbook's shape and scale."""
    # NIST/SEMATECH e-Handbook 8.4.1.3.
    fitted = fit([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
    assert fitted.beta == pytest.approx(1.7208, abs=5e-4)
    assert fitted.eta == pytest.approx(606.53, abs=0.01)
    assert fitted.b10 == pytest.approx(164.02, abs=0.01)
    assert fitted.b50 == pytest.approx(490.17, abs=0.01)


def test_rank_regression_on_y() -> None:
    """Six failures by median ranks give the printed line."""
    # D. Kececioglu, Reliability Engineering Handbook, rank regression on Y.
    fitted = fit_by_ranks([16, 34, 53, 75, 93, 120])
    assert fitted.beta == pytest.approx(1.4302, abs=2e-3)
    assert fitted.eta == pytest.approx(76.317, abs=0.05)


def test_nist_ewma() -> None:
    """The handbook's averages and limits, and no signal."""
    # NIST/SEMATECH e-Handbook 6.3.2.4.
    chart = ewma(NIST_EWMA, start=50, sigma=2.0539, weight=0.3, limit=3)
    printed = (
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    )  # fmt: skip
    assert chart.ewma == pytest.approx(printed, abs=0.005)
    assert chart.upper == pytest.approx(52.5884, abs=1e-3)
    assert chart.lower == pytest.approx(47.4115, abs=1e-3)
    assert chart.signals == ()


def test_nist_lower_limit_is_printed_from_a_truncated_factor() -> None:
    """The exact lower limit is 47.41157, which does not round to the printed 47.4115."""
    # Known to be wrong in print: NIST/SEMATECH 6.3.2.4.
    chart = ewma(NIST_EWMA, start=50, sigma=2.0539, weight=0.3, limit=3)
    assert chart.lower == pytest.approx(47.41157, abs=5e-6)
    assert round(chart.lower, 4) != 47.4115


def test_nist_cusum() -> None:
    """The handbook's sums on both sides, first signal at the 14th value."""
    # NIST/SEMATECH e-Handbook 6.3.2.3.
    chart = cusum(NIST_CUSUM, target=325, allowance=0.3175, decision=4.1959)
    high = (0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00)
    low = (0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0)
    assert chart.high == pytest.approx((*high, 19.04), abs=0.005)
    assert chart.low[: len(low)] == pytest.approx(low, abs=0.005)
    assert chart.signals[0] == 14


def test_montgomery_cusum() -> None:
    """A shift of one sigma is found at the 29th value."""
    # Montgomery, table 9.2: C+ 4.47, 5.28, 5.30 at 28, 29, 30.
    chart = cusum(MONTGOMERY, target=10, allowance=0.5, decision=5)
    assert chart.high[27:] == pytest.approx((4.47, 5.28, 5.30), abs=0.005)
    assert chart.low[1] == pytest.approx(1.56, abs=0.005)
    assert chart.signals == (29, 30)


@pytest.mark.parametrize("exact", [True, False])
def test_montgomery_ewma_signals_at_29(exact: bool) -> None:
    """The EWMA of the same data signals at the 29th value, not at the 28th as often quoted."""
    # Known to be wrong in print: the signal at 28.
    chart = ewma(MONTGOMERY, start=10, sigma=1, weight=0.1, limit=2.7, exact=exact)
    assert chart.upper == pytest.approx(10.62, abs=0.005)
    assert chart.signals == (29, 30)


@pytest.mark.parametrize(
    ("servers", "erlang"),
    # Erlang B table, 1 % column.
    [(1, 0.0101), (2, 0.153), (3, 0.455), (4, 0.869), (5, 1.361), (10, 4.461)],
)
def test_erlang_b_table(servers: int, erlang: float) -> None:
    """Offered loads at 1 % loss agree with the table."""
    assert offered_for(servers, 0.01) == pytest.approx(erlang, abs=1e-3)


@pytest.mark.parametrize(
    ("servers", "erlang", "share"),
    # Erlang B tables.
    [(1, 1, 0.5), (10, 10, 0.2146), (10, 5, 0.0184)],
)
def test_erlang_b(servers: int, erlang: float, share: float) -> None:
    """Loss agrees with the table."""
    assert erlang_b(servers, erlang) == pytest.approx(share, abs=1e-4)


def test_a_prop_with_a_rest_is_one_server() -> None:
    """30 groups an hour, 45 s busy: 27.27 % missed, 21.82 runs (identity)."""
    result = blocked(30, 45)
    assert result.blocked_fraction == pytest.approx(0.2727, rel=1e-3)
    assert result.runs_per_hour == pytest.approx(21.82, rel=1e-3)


def test_spares_example() -> None:
    """A mean of 0.347222 at 98 % asks for two spares."""
    assert spares(0.347222, 0.98) == 2


@pytest.mark.parametrize(
    ("count", "mean", "chance"),
    # Poisson tables, from memory.
    [(2, 1, 0.9197), (4, 2, 0.9473), (5, 2, 0.9834), (8, 5, 0.9319)],
)
def test_poisson_table(count: int, mean: float, chance: float) -> None:
    """Chances agree with the table."""
    assert chance_enough(count, mean) == pytest.approx(chance, abs=5e-5)
