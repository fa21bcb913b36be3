"""Charts of travel times: sound limits, slow-downs found, and what must not count left out."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.figures.inputs import FigureError
from console.rules.signs import CAUSES, COLD_CYCLES, IDLE_S, cause, rising, sticks, warm
from console.rules.slowing import Limits, Stream, limits_for

LIMITS = limits_for(20_000)


def run(stream: Stream, rng: random.Random, cycles: int, slower: float = 0.0) -> None:
    """So many cycles at 5 % noise, `slower` than they should be."""
    for _ in range(cycles):
        stream.add(500 * (1 + slower) * math.exp(rng.gauss(0, 0.05)))


def test_limits_give_a_site_its_nights_between_false_flags() -> None:
    """Ten nights of values, twice over since there are two charts."""
    assert LIMITS.run_length == 2 * 10 * 20_000
    busier = limits_for(60_000)
    assert busier.decision > LIMITS.decision
    assert busier.limit > LIMITS.limit
    assert limits_for(19_999) == LIMITS


def test_each_chart_signals_about_as_seldom_as_its_limits_say() -> None:
    """Healthy values with a known mean, at limits for a short run length, by simulation."""
    limits = limits_for(50)
    rng = random.Random(5)
    runs = []
    for _ in range(150):
        cusum, length = 0.0, 0
        while cusum <= limits.decision and length < 20_000:
            cusum = max(0.0, cusum + rng.gauss(0, 1) - 1.0)
            length += 1
        runs.append(length)
    assert limits.run_length == 1000
    assert np.mean(runs) == pytest.approx(1000, rel=0.25)


def test_a_slow_down_is_found_while_it_is_still_small() -> None:
    """15 % over 300 cycles at 5 % noise: flagged within half of the ramp, and never before it."""
    delays = []
    for seed in range(20):
        rng, stream = random.Random(seed), Stream(LIMITS)
        run(stream, rng, 400)
        assert stream.flagged_at is None
        for at in range(300):
            run(stream, rng, 1, 0.15 * at / 300)
        assert stream.flagged_at is not None
        delays.append(stream.flagged_at - 400)
        assert stream.slow_since is not None
        assert 400 - 20 <= stream.slow_since <= stream.flagged_at
    assert max(delays) <= 160
    assert np.median(delays) <= 120


def test_nothing_is_said_of_a_shift_too_small_to_matter() -> None:
    """A precise motion that is 3 % slower is surely slower, and of no consequence."""
    rng, stream = random.Random(1), Stream(LIMITS)
    for at in range(600):
        stream.add(500 * (1.03 if at > 300 else 1.0) * math.exp(rng.gauss(0, 0.01)))
    assert stream.flagged_at is None
    assert stream.slower == pytest.approx(0.03, abs=0.01)


def test_one_guest_in_the_way_raises_no_flag() -> None:
    """A single stroke that takes ten times as long counts once, and is soon forgotten."""
    rng, stream = random.Random(2), Stream(LIMITS)
    run(stream, rng, 200)
    stream.add(5000)
    run(stream, rng, 50)
    assert stream.flagged_at is None
    assert abs(stream.slower) < 0.05


def test_nights_that_differ_raise_no_flag_but_wear_among_them_does() -> None:
    """Each night is off by its own 1 %, as damp and crowds have it; wear adds up on top of that."""
    flagged = found = 0
    for seed in range(25):
        for slow_from in (None, 550):
            rng, stream = random.Random(seed), Stream(LIMITS)
            for night in range(10):
                odd = rng.gauss(0, 0.01)
                for _ in range(100):
                    past = 0 if slow_from is None else max(0, stream.count - slow_from)
                    ms = 500 * (1 + 0.15 * min(1, past / 300)) * math.exp(odd + rng.gauss(0, 0.05))
                    stream.add(ms, night=night)
            flagged += slow_from is None and stream.flagged_at is not None
            found += slow_from is not None and stream.flagged_at is not None
    assert flagged <= 2
    assert found == 25


def test_a_precise_stream_with_restless_nights_asks_for_more() -> None:
    """The more nights differ, the more a motion must slow down to be told apart from them."""
    least = []
    for spread in (0.0, 0.04):
        rng, stream = random.Random(9), Stream(LIMITS)
        for night in range(12):
            odd = rng.gauss(0, spread)
            for _ in range(60):
                stream.add(500 * math.exp(odd + rng.gauss(0, 0.01)), night=night)
        least.append(stream.least_slower)
    assert least[0] < 0.06
    assert least[1] > 0.07


def test_known_pressure_and_warmth_are_taken_off() -> None:
    """A night at low pressure slows every motion; it is the air's doing, not wear."""
    for known in (True, False):
        rng, stream = random.Random(4), Stream(LIMITS)
        for at in range(900):
            psi = 90 + 8 * math.sin(at / 17) - (12 if at > 600 else 0)
            degf = 50 + 10 * math.sin(at / 41)
            ms = 500 * math.exp(-0.010 * (psi - 90) - 0.002 * (degf - 50) + rng.gauss(0, 0.02))
            stream.add(ms, *((psi, degf) if known else ()))
        assert (stream.flagged_at is None) is known


def test_the_baseline_is_that_of_least_squares() -> None:
    """Against numpy on the same rows, ridge included."""
    rng, stream = random.Random(7), Stream(LIMITS)
    rows, values = [], []
    for _ in range(100):
        psi, degf = rng.uniform(70, 100), rng.uniform(30, 70)
        ms = 400 * math.exp(-0.008 * (psi - 85) + rng.gauss(0, 0.03))
        stream.add(ms, psi, degf)
        first = rows[0][3:] if rows else (psi, degf)
        rows.append((1.0, (psi - first[0]) / 10, (degf - first[1]) / 20, psi, degf))
        values.append(math.log(ms))
    x = np.array([row[:3] for row in rows])
    ridge = np.diag([0.0, 0.25, 0.25])
    expected = np.linalg.solve(x.T @ x + ridge, x.T @ np.array(values))
    assert stream.baseline_ms == pytest.approx(math.exp(expected[0]), rel=5e-3)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(1, 1e5), max_size=60),
    st.one_of(st.none(), st.floats(0, 200)),
)
def test_no_row_of_times_breaks_a_chart(times: list[float], psi: float | None) -> None:
    """Whatever the board says, numbers come out, and the last average is between the extremes."""
    stream = Stream(LIMITS)
    for ms in times:
        point = stream.add(ms, psi)
        assert math.isfinite(point.cusum)
        assert math.isfinite(point.slower)
    assert stream.count == len(times)


def test_impossible_times_are_refused() -> None:
    """A motion takes some time, and a finite one."""
    with pytest.raises(FigureError):
        Stream(LIMITS).add(math.nan)
    with pytest.raises(ValueError, match="cannot take"):
        Stream(LIMITS).add(0)


def test_cold_cycles_are_left_out() -> None:
    """The first three after twenty idle minutes, also in mid-night, and the night's first."""
    times = [0.0, 60, 120, 180, 240, 240 + IDLE_S, 1600 + 60, 1720, 1780, 1840]
    assert warm(times) == [False] * COLD_CYCLES + [True] * 2 + [False] * COLD_CYCLES + [True] * 2
    assert warm([]) == []


def test_a_valve_sticks_when_two_first_strokes_of_three_do() -> None:
    """One slow first stroke is cold; two of three nights are a valve that sticks."""
    usual = [500.0] * 10
    assert sticks([(520, usual), (900, usual), (800, usual)])
    assert not sticks([(900, usual), (520, usual), (510, usual), (900, usual)])
    assert not sticks([(900, usual[:4]), (900, usual[:4])])
    assert not sticks([])


def test_a_rate_rises_only_beyond_chance() -> None:
    """Twice as often and hardly by chance; little data proves nothing."""
    assert rising(30, 300, 20, 1400)
    assert not rising(4, 300, 1, 1400)
    assert not rising(22, 300, 100, 1400)
    assert not rising(6, 300, 14, 1400)
    assert not rising(5, 0, 0, 0)


def test_rates_that_do_not_rise_are_hardly_ever_flagged() -> None:
    """Poisson counts at one rate, many times over."""
    rng = np.random.default_rng(3)
    flagged = sum(
        rising(int(rng.poisson(15)), 300, int(rng.poisson(70)), 1400) for _ in range(20_000)
    )
    assert flagged <= 6


def test_the_cause_follows_the_directions() -> None:
    """What slows both ways differs from what slows one."""
    assert cause(["out", "back"]) == CAUSES["both"]
    assert cause(["back"]) == CAUSES["back"]
    assert cause([]) == ""
    assert isinstance(LIMITS, Limits)
