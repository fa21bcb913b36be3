"""Charts of travel times: sound limits, slow-downs found, and what must not count left out."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.figures.drift import cusum_step, ewma_step
from console.figures.inputs import FigureError
from console.rules.signs import CAUSES, COLD_CYCLES, IDLE_S, cause, rising, sticks, warm
from console.rules.slowing import Limits, Stream, limits_for
from console.rules.slowing_baseline import Baseline, sums_of

LIMITS = limits_for(20_000, 200)
SMALL = limits_for(1_700, 16)
"""Of a site of eight props."""


def night(
    rng: np.random.Generator, count: int, *, slower: float | np.ndarray = 0.0, odd: float = 0.0
) -> np.ndarray:
    """Times of so many cycles at 5 % noise, the whole night `odd` slower."""
    return 500 * (1 + slower) * np.exp(odd + rng.normal(0, 0.05, count))


def test_limits_give_a_site_its_nights_between_false_flags() -> None:
    """Ten nights of values, twice over since there are two charts; less chance for more streams."""
    assert LIMITS.run_length == 2 * 10 * 20_000
    busier = limits_for(60_000, 200)
    assert busier.decision > LIMITS.decision
    assert busier.limit > LIMITS.limit
    assert limits_for(19_999, 200) == LIMITS
    assert 10 * 200 * LIMITS.chance == pytest.approx(0.5)


def test_each_chart_signals_about_as_seldom_as_its_limits_say() -> None:
    """Healthy values with a known mean, at limits for a short run length, by simulation."""
    limits = limits_for(50, 1)
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


def test_the_charts_are_those_of_the_published_steps() -> None:
    """Beside `figures.drift`, whose steps are tested against print, on scores of a known line."""
    rng = np.random.default_rng(12)
    stream = Stream(SMALL)
    for number in range(3):
        stream.add(number, night(rng, 200))
    times = night(rng, 150, slower=0.04)
    stream.add(3, times[:1])
    high, average = stream.cusum, stream.chart.average[-1]
    stream.add(3, times[1:])
    base = stream._base
    _, uncertain = base.expect(np.zeros((1, 2)))
    off = np.log(times[1:]) - base.level
    scores = off / math.sqrt(base.deviation**2 + uncertain[0])
    scores *= (1 - 1 / (4 * base.free)) / np.sqrt(1 + scores**2 / (2 * base.free))
    for value, score in zip(off, scores, strict=True):
        high, _ = cusum_step(high, 0.0, min(max(score, -3.5), 3.5), 0.0, 1.0)
        edge = 3.5 * base.deviation
        average = ewma_step(average, min(max(value, -edge), edge), 0.1)
    assert stream.cusum == pytest.approx(high, abs=1e-9)
    assert stream.chart.average[-1] == pytest.approx(average, abs=1e-12)


def test_a_slow_down_is_found_while_it_is_still_small() -> None:
    """15 % over 300 cycles at 5 % noise: flagged within 3/4 of the ramp, never before it."""
    delays = []
    for seed in range(20):
        rng, stream = np.random.default_rng(seed), Stream(SMALL)
        for number in range(4):
            stream.add(number, night(rng, 100))
        assert stream.flagged_at is None
        for number in range(3):
            ramp = 0.15 * (100 * number + np.arange(100)) / 300
            stream.add(4 + number, night(rng, 100, slower=ramp))
        assert stream.flagged_at is not None
        delays.append(stream.flagged_at - 400)
        assert stream.slow_since is not None
        assert 400 - 20 <= stream.slow_since <= stream.flagged_at
    assert max(delays) <= 220
    assert np.median(delays) <= 170


def test_nothing_is_said_of_a_shift_too_small_to_matter() -> None:
    """A precise motion that is 3 % slower is surely slower, and of no consequence."""
    rng, stream = np.random.default_rng(1), Stream(LIMITS)
    for number in range(8):
        level = 500 * (1.03 if number > 3 else 1.0)
        stream.add(number, level * np.exp(rng.normal(0, 0.01, 80)))
    assert stream.flagged_at is None
    assert stream.slower == pytest.approx(0.03, abs=0.01)


def test_one_guest_in_the_way_raises_no_flag() -> None:
    """A single stroke that takes ten times as long counts once, and is soon forgotten."""
    rng, stream = np.random.default_rng(2), Stream(LIMITS)
    for number in range(4):
        times = night(rng, 60)
        times[5] = 5000
        stream.add(number, times)
    assert stream.flagged_at is None
    assert abs(stream.slower) < 0.05
    assert stream.spread < 0.07


@pytest.mark.parametrize("apart", [0.0, 0.01, 0.02])
def test_nights_that_differ_raise_no_flag_but_wear_among_them_does(apart: float) -> None:
    """Each night is off by its own share, as damp and crowds have it; wear comes on top of that."""
    flagged = found = 0
    streams = 80
    for seed in range(streams):
        for slow_from in (None, 550):
            rng, stream = np.random.default_rng(seed), Stream(SMALL)
            for number in range(10):
                past = np.clip(100 * number + np.arange(100) - (slow_from or 1e9), 0, 300)
                odd = rng.normal(0, apart)
                stream.add(number, night(rng, 100, slower=0.15 * past / 300, odd=odd))
            flagged += slow_from is None and stream.flagged_at is not None
            found += slow_from is not None and stream.flagged_at is not None
    # A site of 16 streams is to have at most one in ten nights; here are five such sites.
    assert flagged <= streams / 16
    assert found >= 0.96 * streams


def test_a_precise_stream_with_restless_nights_asks_for_more() -> None:
    """The more nights differ, the more a motion must slow down to be told apart from them."""
    least = []
    for spread in (0.0, 0.04):
        rng, stream = np.random.default_rng(9), Stream(SMALL)
        for number in range(12):
            odd = rng.normal(0, spread)
            stream.add(number, 500 * np.exp(odd + rng.normal(0, 0.01, 60)))
        least.append(stream.least_slower)
        assert stream.night_spread == pytest.approx(max(spread, 0.01), rel=0.5)
    assert least[0] < 0.07
    assert least[1] > 0.12


def test_few_nights_ask_for_more_and_are_said_to_be_few() -> None:
    """What nights differ by is not known from one or two of them; the third ends the learning."""
    rng, stream = np.random.default_rng(8), Stream(SMALL)
    least = []
    for number in range(6):
        assert stream.learning == (number <= 3)
        assert stream.nights_known == min(max(number - 1, 0), 3)
        stream.add(number, night(rng, 100))
        least.append(stream.least_slower)
    assert least[1] > 0.10
    assert least[5] < least[3] < least[1]


def test_a_night_read_in_two_parts_is_one() -> None:
    """Where cycles of its middle were not read, its two ends still belong to the same night."""
    rng = np.random.default_rng(3)
    times = [night(rng, 100) for _ in range(4)]
    whole, parted = Stream(SMALL), Stream(SMALL)
    for number, one in enumerate(times):
        whole.add(number, one)
        parted.add(number, one[:30])
        parted.add(number, one[30:])
    assert parted.chart == whole.chart


def test_known_pressure_and_warmth_are_taken_off() -> None:
    """A night at low pressure slows every motion; it is the air's doing, not wear."""
    for known in (True, False):
        rng, stream = np.random.default_rng(4), Stream(SMALL)
        for number in range(9):
            at = 100 * number + np.arange(100)
            psi = 90 + 8 * np.sin(at / 17) - (12 if number > 5 else 0)
            degf = 50 + 10 * np.sin(at / 41)
            ms = 500 * np.exp(-0.010 * (psi - 90) - 0.002 * (degf - 50) + rng.normal(0, 0.02, 100))
            stream.add(number, ms, *((psi, degf) if known else ()))
        assert (stream.flagged_at is None) is known


def test_a_season_that_gets_colder_raises_no_flag_on_nights_that_are_odd() -> None:
    """Three nights' oddity is not taken for what warmth does and then carried on into the cold."""
    flagged = 0
    for seed in range(60):
        rng, stream = np.random.default_rng(seed), Stream(SMALL)
        for number in range(12):
            degf = np.full(90, 62 - 2.5 * number + rng.normal(0, 4))
            warmth = -0.04 * (degf - 60) / 20
            stream.add(number, night(rng, 90, odd=rng.normal(0, 0.02) + warmth), None, degf)
        flagged += stream.flagged_at is not None
    assert flagged <= 4


def test_what_is_not_known_of_the_air_is_taken_as_at_first() -> None:
    """A sensor that fails for a night changes nothing but that night's own certainty."""
    rng, stream = np.random.default_rng(6), Stream(SMALL)
    for number in range(5):
        psi = np.full(80, math.nan if number == 3 else 90.0)
        stream.add(number, night(rng, 80), psi)
    assert stream.flagged_at is None
    assert stream.baseline_ms == pytest.approx(500, rel=0.02)
    assert all(math.isfinite(value) for value in stream.chart.expected[80:])


def test_the_baseline_is_that_of_a_mixed_model_with_equal_nights() -> None:
    """With as many values each, a balanced one-way model's level is the mean of the nights' means
    (Searle, Casella and McCulloch 1992, 3.3), and the noise the pooled one within nights."""
    rng, stream = np.random.default_rng(7), Stream(SMALL)
    nights = [400 * np.exp(rng.normal(0, 0.03) + rng.normal(0, 0.02, 100)) for _ in range(3)]
    for number, times in enumerate(nights):
        stream.add(number, times)
    stream.add(3, nights[0])
    logs = np.log(nights)
    assert stream.baseline_ms == pytest.approx(math.exp(logs.mean()), rel=2e-3)
    assert stream.spread == pytest.approx(math.sqrt(logs.var(axis=1, ddof=1).mean()), rel=0.02)


def test_what_nights_differ_by_is_found_from_their_means() -> None:
    """Many nights of a known spread: found within its own uncertainty, whatever the noise."""
    for apart, within in ((0.01, 0.3), (0.02, 0.15), (0.03, 0.15)):
        found = []
        for seed in range(30):
            rng, base = np.random.default_rng(seed), Baseline()
            for number in range(25):
                values = rng.normal(0, apart) + rng.normal(0, 0.05, 100)
                base.see(sums_of(values, np.zeros((100, 2))), learn=number < 3)
            found.append(base.night_spread)
        assert np.mean(found) == pytest.approx(apart, rel=within)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.floats(1, 1e5), max_size=20), max_size=6),
    st.one_of(st.none(), st.floats(0, 200)),
)
def test_no_row_of_times_breaks_a_chart(nights: list[list[float]], psi: float | None) -> None:
    """Whatever the board says, numbers come out once there is a baseline."""
    stream = Stream(SMALL)
    for number, times in enumerate(nights):
        stream.add(number, times, None if psi is None else [psi] * len(times))
        assert math.isfinite(stream.cusum)
        assert math.isfinite(stream.slower)
        known = [value for value in stream.chart.limit if not math.isnan(value)]
        assert all(value > 0 for value in known)
    assert stream.count == sum(map(len, nights)) == len(stream.chart.average)


def test_impossible_times_are_refused() -> None:
    """A motion takes some time, and a finite one; nothing of such a night is taken in."""
    stream = Stream(LIMITS)
    for wrong in (math.nan, math.inf, 0.0, -5.0):
        with pytest.raises(FigureError, match="takes some time"):
            stream.add(1, [500.0, wrong])
    assert stream.count == 0


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
