"""The walk and the air as rows, without a terminal."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.screens.air_lines import demand_rows, history_rows, tank_lines
from console.screens.plot import columns, plot_rows, resampled
from console.screens.store import Store
from console.screens.text import text_of
from console.screens.walk_lines import crowd_lines, group_rows, headway_lines, minutes, strip_lines
from tests.screens.screens_scene import entities


@pytest.fixture
def store() -> Store:
    """The ordinary night."""
    made = Store()
    made.snapshot(entities())
    return made


@given(st.lists(st.floats(-100, 200), max_size=60), st.integers(1, 9))
def test_a_plot_is_as_large_as_it_was_said_to_be(values: list[float], height: int) -> None:
    """Whatever the values, also outside of the scale."""
    rows = columns(values, 0, 100, height)
    assert len(rows) == height
    assert all(len(row) == len(values) for row in rows)


def test_a_plot_fills_from_the_bottom() -> None:
    """Half of two rows is the lower one, whole."""
    assert columns([0, 25, 50, 100], 0, 100, 2) == ["   █", " ▄██"]
    rows = text_of(plot_rows([0, 100], 0, 100, 2, unit="psi")).splitlines()
    assert rows[0].startswith(" 100 psi")
    assert rows[1].startswith("   0 psi")


def test_resampling_keeps_the_last_value_of_each_span() -> None:
    """Also where a span has none of its own."""
    assert resampled([(0, 1.0), (10, 2.0), (40, 5.0)], 4) == [2.0, 2.0, 2.0, 5.0]
    assert resampled([], 4) == []


def test_the_countdown_says_what_it_waits_for(store: Store) -> None:
    """The reason in words, then what sets the pace of the night."""
    text = text_of(headway_lines(store.headway, 80, time.time_ns()))
    assert text.startswith("Next group in 0:1")
    assert "Ice-house door rests 18 s more" in text
    assert "38 groups, 190 guests an hour" in text
    later = time.time_ns() + 60 * 10**9
    assert "may go now" in text_of(headway_lines(store.headway, 80, later))
    assert "follows no groups" in text_of(headway_lines(None, 80, later))


@pytest.mark.parametrize("width", [60, 80, 120])
def test_groups_stand_on_the_strip_in_their_order(store: Store, width: int) -> None:
    """Left is the entrance; an unsure one has a question mark; zones are as wide as they last."""
    head, *lanes = text_of(strip_lines(store, width)).splitlines()
    assert len(head) == width
    assert head.index("Gate yard") < head.index("Ice house") < head.index("Drying loft")
    places = {n: max(lane.find(n) for lane in lanes) for n in ("17", "16", "15?", "14")}
    assert list(places.values()) == sorted(places.values())
    assert all(place >= 0 for place in places.values())
    assert head.index("Ice house") <= places["16"] < head.index("Boiler hall")


def test_groups_that_meet_take_lanes_of_their_own(store: Store) -> None:
    """Two at one place are both to be read."""
    for number in (15, 16):
        key = f"group/{number}"
        group = store.entities[key]
        store.entities[key] = type(group)(number, 4, "mild", 1, "ice-house", 50)  # type: ignore[call-arg, arg-type]
    lanes = text_of(strip_lines(store, 80)).splitlines()[1:]
    assert len(lanes) == 2
    assert sum("15" in lane for lane in lanes) == sum("16" in lane for lane in lanes) == 1


def test_a_group_is_told_in_words(store: Store) -> None:
    """Where, how sure, and what it is spared."""
    rows = text_of([r.line for r in group_rows(store, 100, time.time_ns())])
    assert "Boiler hall, 48 % sure, or Drying loft" in rows
    assert "no strobe; a child in front" in rows
    assert "quiet in Ice house" in rows


def test_the_crowd_in_numbers(store: Store) -> None:
    """Counts, times, a plot by quarter of an hour, missed triggers."""
    text = text_of(crowd_lines(store.crowd, 80, tall=True))
    assert "42 groups, 203 guests: 4 in the walk, 38 through, 6:21 on average" in text
    assert "at most 11" in text
    assert "ice-saw resting 7" in text
    assert minutes(59_600) == "1:00"


def test_the_air_says_when_it_goes_short(store: Store) -> None:
    """Pressure with its doubt, what takes and loses, and for how many groups it will do."""
    assert store.air is not None
    text = text_of(tank_lines(store.air, 80))
    assert "91 psi ±2, the sensor says 92" in text
    assert "Goes short in 14 min, after 9 more groups" in text
    assert "▲ The sensor falls faster" in text
    rows = text_of([r.line for r in demand_rows(store.air, 80)]).splitlines()
    assert "Ice-house door" in rows[0]
    assert "over the last 60 min" in text_of(history_rows(store.air, 80, 4))
