"""Limits, dates and forecasts as pure rules."""

from __future__ import annotations

import datetime as dt
import random
import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.rules import forecast
from console.rules.forecast import Ahead, Pace, by_count, by_date, by_nights, chance_of, pace
from console.rules.upkeep import (
    Flow,
    Standing,
    Unit,
    Used,
    hours_by_meter,
    marks,
    may_undo,
    nearest,
    next_date,
    standing,
)
from console.site.hardware import Limits, ServiceInterval

TODAY = dt.date(2027, 10, 9)


def test_whichever_limit_comes_first_counts() -> None:
    """Each limit has its own mark; the one used up most says how the whole stands."""
    limits = Limits(strokes=4000, nights=10, hours_h=50.0)
    used = Used(dt.date(2027, 9, 1), nights=9, strokes=1000, hours_h=12.0)
    found = marks(limits, used, TODAY)
    assert {m.unit: m.share for m in found} == {
        Unit.STROKES: 0.25,
        Unit.HOURS: 0.24,
        Unit.NIGHTS: 0.9,
    }
    mark = nearest(found)
    assert mark is not None
    assert mark.unit is Unit.NIGHTS
    assert standing(found) is Standing.NEAR


def test_what_nobody_counts_hides_no_other_limit() -> None:
    """An uncounted limit stands aside; alone it makes the part `not counted`."""
    used = Used(None, nights=3)
    assert standing(marks(Limits(strokes=100, nights=3), used, TODAY)) is Standing.DUE
    assert standing(marks(Limits(strokes=100), used, TODAY)) is Standing.UNKNOWN
    assert standing(()) is Standing.NONE


def test_days_and_dates_are_due_on_their_day() -> None:
    """Not a day before: used up exactly on the day."""
    used = Used(dt.date(2027, 4, 12), nights=0)
    interval = ServiceInterval(name="f", title="F", days=180, damp_hours_h=2.0)
    by_unit = {m.unit: m for m in marks(interval, used, TODAY)}
    assert by_unit[Unit.DAYS].on == dt.date(2027, 10, 9)
    assert by_unit[Unit.DAYS].share == 1
    day = Limits(dates=(dt.date(2027, 10, 9),))
    assert standing(marks(day, used, TODAY)) is Standing.DUE
    assert standing(marks(day, used, TODAY - dt.timedelta(days=1))) is Standing.NEAR


def test_work_shortly_before_a_listed_date_is_for_that_date() -> None:
    """The relief valve lifted on the 20th is not due again on the 25th."""
    dates = (dt.date(2026, 9, 25), dt.date(2027, 9, 25))
    assert next_date(dates, None) == dates[0]
    assert next_date(dates, dt.date(2026, 9, 20)) == dates[1]
    assert next_date(dates, dt.date(2027, 9, 1)) is None
    assert next_date(dates, dt.date(2027, 8, 1)) == dates[1]


def test_undo_lasts_a_minute() -> None:
    """After sixty seconds an entry is corrected, not taken back."""
    assert may_undo(0, 60 * 10**9)
    assert not may_undo(0, 60 * 10**9 + 1)
    assert not may_undo(10**9, 0)


def test_an_hour_meter_needs_two_readings() -> None:
    """From the reading at the service, or the last before it, to the newest."""
    readings = [(10, {"hours": 400.0}), (20, {"hours": 412.5}), (30, {"damp": 1})]
    assert hours_by_meter(readings, 15) == 12.5
    assert hours_by_meter(readings, 25) is None
    assert hours_by_meter(readings, 5) == 12.5
    assert hours_by_meter(readings[1:], 5) is None


@given(
    st.lists(st.tuples(st.integers(1, 50), st.integers(1, 50), st.integers(0, 1000)), max_size=8),
    st.integers(-10, 800),
)
def test_a_flow_sums_like_counting_one_by_one(
    nights: list[tuple[int, int, int]], moment: int
) -> None:
    """Against a sum over every night."""
    at, opened, closed = 0, [], []
    for gap, length, _ in nights:
        opened.append(at + gap)
        closed.append(at + gap + length)
        at += gap + length
    amounts = [amount for _, _, amount in nights]
    expected = sum(
        amount * (ended - max(moment, began)) / (ended - began)
        for began, ended, amount in zip(opened, closed, amounts, strict=True)
        if ended > moment
    )
    assert Flow(opened, closed, amounts).after(moment) == pytest.approx(expected)


def calendar(nights: int, hours_h: float = 4.0) -> list[Ahead]:
    """So many days in a row."""
    return [Ahead(TODAY + dt.timedelta(days=n), hours_h) for n in range(nights)]


@settings(deadline=None)  # the first call imports scipy
@given(
    st.floats(1, 500), st.floats(0.05, 1.0), st.integers(1, 30), st.floats(1, 5000),
    st.integers(1, 12),
)  # fmt: skip
def test_chances_rise_with_nights_and_fall_with_what_is_left(
    per_hour: float, spread: float, nights: int, left: float, ahead: int
) -> None:
    """More nights make it likelier, more left less likely, and a chance stays one."""
    found = by_count(left, Pace(per_hour, spread, nights), calendar(ahead))
    more = by_count(left, Pace(per_hour, spread, nights), calendar(ahead + 1))
    further = by_count(left * 1.5, Pace(per_hour, spread, nights), calendar(ahead))
    assert found.chance_next is not None
    assert further.chance_next is not None
    assert 0 <= further.chance_next <= found.chance_next <= 1
    assert found.chance_next == more.chance_next
    days = [d for d in (found.early, found.on, found.late) if d is not None]
    assert days == sorted(days)


def test_the_chance_matches_nights_drawn_at_random() -> None:
    """With the mean known from many nights it is that of the sum of so many nights."""
    rng = random.Random(3)
    at = Pace(20.0, 0.3, 10_000)
    hours = [4.0, 4.0, 5.0]
    drawn = [
        sum(20 * h * rng.gauss(1, 0.3) for h in hours) + rng.gauss(0, 260**0.5)
        for _ in range(20_000)
    ]
    for left in (180.0, 260.0, 320.0):
        share = statistics.mean(total >= left for total in drawn)
        assert chance_of(at, left, hours) == pytest.approx(share, abs=0.015)


def test_few_nights_say_so_and_widen_the_span() -> None:
    """One night gives a forecast, a wide one, and one that owns up to it."""
    one = pace([80], [4.0])
    many = pace([80] * 12, [4.0] * 12)
    assert one is not None
    assert many is not None
    assert one.few
    assert not many.few
    assert by_count(200, one, calendar(10)).few
    assert chance_of(one, 120, [4.0]) > chance_of(many, 120, [4.0])
    assert pace([], []) is None
    assert by_count(10, None, calendar(3)).chance_next is None


def test_nights_and_dates_are_certain() -> None:
    """What the calendar alone decides has no spread."""
    nights = calendar(5)
    assert by_nights(3, nights).on == nights[2].date
    assert by_nights(1, nights).chance_next == 1.0
    assert by_nights(2, nights).chance_next == 0.0
    assert by_nights(9, nights).on is None
    assert by_date(nights[0].date, TODAY - dt.timedelta(days=3), nights).chance_next == 1.0
    assert by_date(nights[1].date, TODAY - dt.timedelta(days=3), nights).chance_next == 0.0
    soonest = forecast.soonest([by_nights(3, nights), by_date(nights[1].date, TODAY, nights)])
    assert soonest.on == nights[1].date
