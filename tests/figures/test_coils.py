"""Peaks of coils over a sequence and over props, and wire."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.figures.coil import (
    CoilOn,
    current_a,
    ohm_per_kft,
    sequence_peak,
    usable_a,
    wire_drop_v,
    worst_overlap,
)
from console.figures.inputs import FigureError


def test_peak_is_when_most_coils_are_on() -> None:
    """Three coils, two at once: their sum, from when the second comes on."""
    peak = sequence_peak([CoilOn(0, 500, 0.2), CoilOn(300, 900, 0.25), CoilOn(900, 1200, 0.4)])
    assert peak.current_a == pytest.approx(0.45)
    assert peak.at_ms == 300


def test_a_coil_that_goes_off_is_not_counted_with_the_next() -> None:
    """Switching over at one moment draws one coil's current."""
    assert sequence_peak([CoilOn(0, 500, 0.2), CoilOn(500, 900, 0.2)]).current_a == 0.2
    assert sequence_peak([]).current_a == 0


coils = st.builds(
    lambda start, length, current: CoilOn(start, start + length, current),
    st.integers(0, 50),
    st.integers(1, 30),
    st.floats(0, 2),
)


@given(st.lists(coils, max_size=8))
def test_peak_is_the_most_of_all_moments(on: list[CoilOn]) -> None:
    """The peak agrees with adding up each millisecond."""
    moments = (sum(c.current_a for c in on if c.start_ms <= t < c.end_ms) for t in range(81))
    assert sequence_peak(on).current_a == pytest.approx(max(moments, default=0), abs=1e-8)


def test_props_that_exclude_each_other_do_not_add() -> None:
    """Of two props that never run together the hungrier counts."""
    peaks = {"lid": 1.0, "gate": 2.0, "hook": 1.5}
    assert worst_overlap(peaks).current_a == 4.5
    overlap = worst_overlap(peaks, [("gate", "lid"), ("gate", "hook")])
    assert overlap.current_a == 2.5
    assert overlap.props == ("hook", "lid")
    assert worst_overlap({}).props == ()


@given(
    st.dictionaries(st.sampled_from("abcdefg"), st.floats(0, 3), max_size=7),
    st.lists(st.sets(st.sampled_from("abcdefgh"), max_size=4), max_size=4),
)
def test_worst_overlap_is_the_best_of_all_choices(
    peaks: dict[str, float], apart: list[set[str]]
) -> None:
    """The search finds what trying every set of props does."""
    tried = (
        sum(peaks[prop] for prop in chosen)
        for count in range(len(peaks) + 1)
        for chosen in combinations(peaks, count)
        if all(len(group & set(chosen)) <= 1 for group in apart)
    )
    found = worst_overlap(peaks, apart)
    assert found.current_a == pytest.approx(max(tried))
    assert all(len(group & set(found.props)) <= 1 for group in apart)


def test_thirty_two_props_are_searched_at_once() -> None:
    """A full site with neighbours that exclude each other takes no time to speak of."""
    names = [f"p{i}" for i in range(32)]
    peaks = {name: 0.1 + i * 0.01 for i, name in enumerate(names)}
    apart = [names[i : i + 3] for i in range(30)]
    assert len(worst_overlap(peaks, apart).props) == 11


@given(st.integers(1, 29))
def test_thinner_wire_resists_more(awg: int) -> None:
    """Each size up is thinner."""
    assert ohm_per_kft(awg + 1) > ohm_per_kft(awg)


@given(st.floats(0.1, 1000), st.floats(0, 20))
def test_drop_goes_with_length_and_current(length: float, current: float) -> None:
    """Twice the way loses twice the voltage."""
    drop = wire_drop_v("18", length, current)
    assert wire_drop_v("18", 2 * length, current) == pytest.approx(2 * drop)


@pytest.mark.parametrize(
    "call",
    [
        lambda: ohm_per_kft("31"),
        lambda: ohm_per_kft("0"),
        lambda: ohm_per_kft("five"),
        lambda: ohm_per_kft("5/0"),
        lambda: wire_drop_v(18, 0, 1),
        lambda: wire_drop_v(18, 10, -1),
        lambda: current_a(0, 24),
        lambda: current_a(4.8, 0),
        lambda: usable_a(0),
        lambda: sequence_peak([CoilOn(5, 4, 1)]),
        lambda: sequence_peak([CoilOn(0, float("nan"), 1)]),
        lambda: sequence_peak([CoilOn(0, 5, -1)]),
        lambda: worst_overlap({"lid": -1}),
    ],
)
def test_impossible_wiring_is_refused(call: object) -> None:
    """Sizes that are not made and currents that cannot flow are refused."""
    assert callable(call)
    with pytest.raises(FigureError):
        call()
