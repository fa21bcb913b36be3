"""Run lengths of charts: by equation, by simulation, and as published."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.figures.drift import cusum, cusum_step, ewma_half_width, ewma_step
from console.figures.inputs import FigureError
from console.figures.run_length import (
    cusum_decision_for,
    cusum_one_sided_run_length,
    cusum_run_length,
    ewma_run_length,
)

# Montgomery, table 9.3 (from memory): two-sided tabular CUSUM, k = 1/2.
SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
MONTGOMERY_H4 = (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71)
MONTGOMERY_H5 = (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01)


@pytest.mark.parametrize(("decision", "row"), [(4, MONTGOMERY_H4), (5, MONTGOMERY_H5)])
def test_cusum_table(decision: float, row: tuple[float, ...]) -> None:
    """Every run length of the published table, to its three digits."""
    for shift, printed in zip(SHIFTS, row, strict=True):
        assert cusum_run_length(0.5, decision, shift) == pytest.approx(printed, rel=5e-3)


@pytest.mark.parametrize(
    ("decision", "shift", "printed"),
    # Lucas and Crosier (1982), half-way head start (from memory).
    [(4, 0, 149), (4, 1, 5.29), (5, 0, 430), (5, 1, 6.35)],
)
def test_head_start_table(decision: float, shift: float, printed: float) -> None:
    """A head start shortens run lengths as published."""
    length = cusum_run_length(0.5, decision, shift, head_start=decision / 2)
    assert length == pytest.approx(printed, rel=5e-3)


@pytest.mark.parametrize(
    ("weight", "limit", "shift", "printed"),
    [
        # Lucas and Saccucci (1990), as in Montgomery, table 9.11 (from memory).
        (0.4, 3.054, 0, 500),
        (0.25, 2.998, 0, 500),
        (0.2, 2.962, 0, 500),
        (0.1, 2.814, 0, 500),
        (0.05, 2.615, 0, 500),
        (0.4, 3.054, 1, 14.3),
        (0.25, 2.998, 1, 11.1),
        (0.2, 2.962, 1, 10.5),
        (0.1, 2.814, 1, 10.3),
        (0.05, 2.615, 1, 11.4),
    ],
)
def test_ewma_table(weight: float, limit: float, shift: float, printed: float) -> None:
    """EWMA run lengths agree with the published table."""
    assert ewma_run_length(weight, limit, shift) == pytest.approx(printed, rel=5e-3)


def test_a_weight_of_one_is_a_plain_three_sigma_chart() -> None:
    """With all weight on the newest value the run length is 370.4 (identity)."""
    assert ewma_run_length(1, 3) == pytest.approx(370.4, rel=1e-3)


def _simulated_cusum(decision: float, shift: float, runs: int, rng: random.Random) -> list[int]:
    lengths = []
    for _ in range(runs):
        high = low = 0.0
        count = 0
        while high <= decision and low <= decision:
            high, low = cusum_step(high, low, rng.gauss(shift, 1), 0, 0.5)
            count += 1
        lengths.append(count)
    return lengths


def _simulated_ewma(weight: float, limit: float, runs: int, rng: random.Random) -> list[int]:
    width = ewma_half_width(1, weight, limit)
    lengths = []
    for _ in range(runs):
        average, count = 0.0, 0
        while abs(average) <= width:
            average = ewma_step(average, rng.gauss(0, 1), weight)
            count += 1
        lengths.append(count)
    return lengths


def _within_five_errors(lengths: list[int], expected: float) -> bool:
    mean = sum(lengths) / len(lengths)
    spread = math.sqrt(sum((n - mean) ** 2 for n in lengths) / (len(lengths) - 1))
    return abs(mean - expected) < 5 * spread / math.sqrt(len(lengths))


@pytest.mark.parametrize(
    ("decision", "shift", "printed", "runs"),
    [(4, 0, 168, 1500), (4, 1, 8.38, 4000), (5, 0, 465, 600), (5, 0.5, 38.0, 2000)],
)
def test_simulated_cusum_runs_as_long_as_published(
    decision: float, shift: float, printed: float, runs: int
) -> None:
    """The chart itself, fed with random values, keeps to Montgomery's table 9.3."""
    lengths = _simulated_cusum(decision, shift, runs, random.Random(20261031))
    assert _within_five_errors(lengths, printed)


def test_simulated_ewma_runs_as_long_as_published() -> None:
    """The average itself, fed with random values, runs 500 long (Lucas and Saccucci)."""
    assert _within_five_errors(_simulated_ewma(0.2, 2.962, 500, random.Random(7)), 500)


def test_one_side_runs_twice_as_long_as_both() -> None:
    """Without a shift each side alone runs twice as long as the pair."""
    assert cusum_one_sided_run_length(0.5, 4) == pytest.approx(2 * cusum_run_length(0.5, 4))


@settings(max_examples=25)
@given(st.floats(0.1, 1.5), st.floats(10, 1e7))
def test_decision_for_a_run_length_gives_it_back(allowance: float, run_length: float) -> None:
    """The decision found for a run length has that run length."""
    decision = cusum_decision_for(allowance, run_length)
    assert cusum_run_length(allowance, decision) == pytest.approx(run_length, rel=1e-3)


@given(st.floats(0.2, 1), st.floats(1, 8), st.floats(0, 3), st.floats(0, 1))
def test_a_larger_shift_is_found_sooner(
    allowance: float, decision: float, shift: float, more: float
) -> None:
    """Run lengths never grow with the shift."""
    longer = cusum_run_length(allowance, decision, shift)
    assert cusum_run_length(allowance, decision, shift + more) <= longer * (1 + 1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: cusum_run_length(0.5, 0),
        lambda: cusum_run_length(-0.1, 4),
        lambda: cusum_run_length(0.5, 4, math.nan),
        lambda: cusum_run_length(0.5, 4, head_start=4),
        lambda: cusum_run_length(3, 30),
        lambda: ewma_run_length(0, 3),
        lambda: ewma_run_length(0.2, 40),
        lambda: cusum_decision_for(0.5, 1),
    ],
)
def test_impossible_charts_are_refused(call: object) -> None:
    """What has no run length, or none that a double can hold, is refused."""
    assert callable(call)
    with pytest.raises(FigureError):
        call()


def test_a_reset_chart_starts_afresh() -> None:
    """After a signal a chart that is reset needs as many values as at first."""
    chart = cusum([2.0] * 9, target=0, allowance=0.5, decision=4, reset=True)
    assert chart.signals == (3, 6, 9)
    assert cusum([2.0] * 9, target=0, allowance=0.5, decision=4).signals == tuple(range(3, 10))
    started = cusum([2.0] * 9, target=0, allowance=0.5, decision=4, head_start=2, reset=True)
    assert started.signals == (2, 4, 6, 8)
