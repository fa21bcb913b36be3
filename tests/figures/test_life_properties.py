"""Limits and round trips of life, drift, queues, spares and the learned baseline."""

from __future__ import annotations

import math
import random
from statistics import fmean, stdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from console.figures.baseline import Baseline
from console.figures.drift import cusum, ewma
from console.figures.inputs import FigureError
from console.figures.life import b10d_from_b10, life
from console.figures.queueing import blocked, erlang_b, offered_for
from console.figures.spares import chance_enough, pooled_mean, spares

values = st.lists(st.floats(-1e6, 1e6), max_size=60)


@given(st.integers(0, 60), st.floats(0, 100))
def test_erlang_b_is_the_sum_it_stands_for(servers: int, load: float) -> None:
    """The recursion is (A^n / n!) / sum(A^i / i!)."""
    terms = [load**i / math.factorial(i) for i in range(servers + 1)]
    assert erlang_b(servers, load) == pytest.approx(terms[-1] / sum(terms), rel=1e-9)


@given(st.integers(1, 40), st.floats(0.001, 0.99))
def test_offered_load_gives_the_loss_back(servers: int, share: float) -> None:
    """Loss and load are each other's inverse."""
    assert erlang_b(servers, offered_for(servers, share)) == pytest.approx(share, rel=1e-9)


@given(st.floats(0.1, 500), st.floats(0, 3600))
def test_runs_and_missed_triggers_add_up(rate: float, busy: float) -> None:
    """Runs and missed triggers together are the groups that came, as far as time allows."""
    result = blocked(rate, busy)
    assert result.runs_per_hour + rate * result.blocked_fraction == pytest.approx(rate)
    assert result.runs_per_hour * busy <= 3600 * (1 + 1e-9)


@given(st.floats(0, 5000), st.floats(0.01, 0.9999))
def test_spares_are_the_poisson_quantile(mean: float, confidence: float) -> None:
    """The count is scipy's quantile, and one fewer would not do."""
    count = spares(mean, confidence)
    assert chance_enough(count, mean) >= confidence
    assert count == 0 or chance_enough(count - 1, mean) < confidence
    assert count == pytest.approx(stats.poisson.ppf(confidence, mean), abs=1)


def test_pooled_demand_needs_fewer_spares() -> None:
    """Props that share a kind of part need fewer spares together than apart."""
    assert pooled_mean([0.4] * 6) == pytest.approx(2.4)
    assert spares(pooled_mean([0.4] * 6), 0.95) < 6 * spares(0.4, 0.95)


@given(st.floats(1, 1e9), st.floats(1, 366), st.floats(0.1, 24), st.floats(0.1, 1e5))
def test_life_keeps_the_standards_proportions(
    b10d: float, days: float, hours: float, every: float
) -> None:
    """MTTFd is ten times T10d, and T10d years of operations are B10d."""
    result = life(b10d, days, hours, every)
    assert result.mttfd_years == pytest.approx(10 * result.t10d_years)
    assert result.t10d_years * result.n_op_per_year == pytest.approx(b10d)


@given(values, st.floats(0.01, 1), st.floats(0.1, 5))
def test_ewma_lies_within_what_it_averages(
    points: list[float], weight: float, limit: float
) -> None:
    """Averages stay between the least and the most, and signals are those outside the limits."""
    chart = ewma(points, start=0, sigma=10, weight=weight, limit=limit)
    low, high = min([0, *points]), max([0, *points])
    assert all(low - 1e-6 <= z <= high + 1e-6 for z in chart.ewma)
    outside = tuple(
        i for i, z in enumerate(chart.ewma, start=1) if not chart.lower <= z <= chart.upper
    )
    assert chart.signals == outside


@given(values, st.floats(0, 100), st.floats(0.1, 1000))
def test_cusum_mirrors(points: list[float], allowance: float, decision: float) -> None:
    """The low side of values is the high side of their mirror image."""
    chart = cusum(points, target=0, allowance=allowance, decision=decision)
    mirror = cusum([-x for x in points], target=0, allowance=allowance, decision=decision)
    assert chart.high == mirror.low
    assert chart.signals == mirror.signals
    assert all(s >= 0 for s in (*chart.high, *chart.low))


@given(st.floats(0, 10))
def test_values_on_target_never_signal(allowance: float) -> None:
    """A process that stands still on its target stays silent."""
    assert cusum([5.0] * 50, target=5, allowance=allowance, decision=0.1).signals == ()
    assert ewma([5.0] * 50, start=5, sigma=1, weight=0.2, limit=3, exact=True).signals == ()


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=50))
def test_baseline_is_mean_and_deviation(points: list[float]) -> None:
    """Taken one by one, the values give the same mean and deviation as all at once."""
    baseline = Baseline()
    for point in points:
        baseline = baseline.with_value(point)
    assert baseline.mean == pytest.approx(fmean(points), abs=1e-6)
    assert baseline.sigma == pytest.approx(stdev(points), rel=1e-5, abs=1e-5)


def test_scores_are_standard_normal_from_the_third_value_on() -> None:
    """Scores of values with unknown mean and spread pass for standard normal (Hawkins 1987)."""
    rng = random.Random(5)
    scores = []
    for _ in range(1500):
        baseline = Baseline()
        for _ in range(10):
            value = rng.gauss(350, 17)
            score = baseline.score(value)
            if score is not None:
                scores.append(score)
            baseline = baseline.with_value(value)
    assert len(scores) == 1500 * 8
    assert stats.kstest(scores, "norm").pvalue > 1e-3
    assert stats.pearsonr(scores[:-1], scores[1:]).pvalue > 1e-3


def test_a_baseline_without_spread_still_judges() -> None:
    """Equal values score 0, any other the furthest score; a clock's step keeps that sane."""
    baseline = Baseline().with_value(350).with_value(350)
    assert baseline.score(350) == 0
    assert baseline.score(351) == 8
    assert baseline.score(349) == -8
    gentle = baseline.score(351, least_sigma=1)
    assert gentle is not None
    assert 0 < gentle < 1
    assert Baseline().with_value(350).score(400) is None


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_what_life_must_have_above_zero(bad: float) -> None:
    """Zero, less, NaN and infinity are refused."""
    for call in (
        lambda: life(bad, 220, 8, 10),
        lambda: life(1e6, bad, 8, 10),
        lambda: life(1e6, 220, bad, 10),
        lambda: life(1e6, 220, 8, bad),
        lambda: b10d_from_b10(bad),
        lambda: b10d_from_b10(1e6, bad),
        lambda: ewma([1], start=0, sigma=bad, weight=0.2, limit=3),
        lambda: ewma([1], start=0, sigma=1, weight=bad, limit=3),
        lambda: ewma([1], start=0, sigma=1, weight=0.2, limit=bad),
        lambda: cusum([1], target=0, allowance=0.5, decision=bad),
        lambda: blocked(bad, 45),
        lambda: offered_for(3, bad),
        lambda: spares(2, bad),
    ):
        with pytest.raises(FigureError):
            call()


@pytest.mark.parametrize(
    "call",
    [
        lambda: life(1e6, 400, 8, 10),
        lambda: life(1e6, 220, 25, 10),
        lambda: blocked(30, -1),
        lambda: erlang_b(-1, 2),
        lambda: erlang_b(2, -1),
        lambda: spares(-1, 0.9),
        lambda: spares(1e12, 0.9),
        lambda: spares(2, 1),
        lambda: pooled_mean([1, -1]),
        lambda: ewma([1, math.nan], start=0, sigma=1, weight=0.2, limit=3),
        lambda: ewma([1], start=math.nan, sigma=1, weight=0.2, limit=3),
        lambda: cusum([math.inf], target=0, allowance=0.5, decision=4),
        lambda: cusum([1], target=0, allowance=-0.5, decision=4),
        lambda: cusum([1], target=0, allowance=0.5, decision=4, head_start=4),
        lambda: Baseline().with_value(math.nan),
        lambda: Baseline(5, 1, 1).score(math.inf),
    ],
)
def test_impossible_histories_are_refused(call: object) -> None:
    """What cannot be is refused, never NaN."""
    assert callable(call)
    with pytest.raises(FigureError):
        call()
