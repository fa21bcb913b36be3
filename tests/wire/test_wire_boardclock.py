"""A board's clock on this machine's: never further off than the bound says."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.boardclock import BoardClock, ms_between


@given(
    st.integers(0, (1 << 32) - 1),
    st.floats(-100e-6, 100e-6),
    st.lists(
        st.tuples(st.floats(0.1, 80), st.floats(0.1, 80), st.floats(50, 2000)),
        min_size=1,
        max_size=40,
    ),
    st.floats(-500_000, 500_000),
)
def test_the_bound_holds_for_any_delays_and_any_drift_within_100_ppm(
    start: int, drift: float, polls: list[tuple[float, float, float]], away_ms: float
) -> None:
    """Whatever the way there and back takes, the true moment lies within the bound."""
    clock = BoardClock()

    def reading(mono_ms: float) -> int:
        return int(start + mono_ms * (1 + drift)) % (1 << 32)

    now = 1_000_000.0
    for there, back, pause in polls:
        clock.add(reading(now + there), now, now + there + back)
        now += there + back + pause
    event = max(0.0, now + away_ms)
    mapped = clock.to_mono(reading(event))
    assert mapped is not None
    assert abs(mapped[0] - event) <= mapped[1]


def test_a_quick_answer_beats_slow_ones() -> None:
    """One undisturbed poll is worth more than many that waited."""
    clock = BoardClock()
    clock.add(1000, 100.0, 180.0)
    clock.add(1100, 200.0, 202.0)
    clock.add(1200, 300.0, 390.0)
    mapped = clock.to_mono(1150)
    assert mapped is not None
    assert mapped[1] < 3


def test_nothing_is_known_before_the_first_reading() -> None:
    """Without a poll a cycle has no date."""
    assert BoardClock().to_mono(5) is None


def test_readings_are_compared_across_the_wrap() -> None:
    """Thirty-two bits of milliseconds run out after 49 days."""
    assert ms_between((1 << 32) - 10, 10) == 20
    assert ms_between(10, (1 << 32) - 10) == -20
