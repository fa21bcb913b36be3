"""Headway and blocked triggers against simpy and Erlang: short form of the proof."""

from __future__ import annotations

from random import Random

import pytest

from console.figures.queueing import blocked
from console.rules.groups.walk import Walk
from console.site.kinds import Strength
from console.site.loading import load
from tests.proof.groups_queue import DEMO, HOUR_MS, at_random, busy_ms, simulate, steady

SITE = load(DEMO)


def test_at_the_promised_headway_no_prop_is_busy_and_the_rate_is_reached() -> None:
    """simpy: groups as quick as the headway allows for trip no prop that is busy."""
    rate, line = steady(SITE, 60, 1)
    assert sum(line.lost.values()) == 0
    assert line.per_hour == pytest.approx(rate.groups_per_hour, rel=0.01)


def test_at_half_the_headway_props_are_missed() -> None:
    """simpy: the promise is no idle one, faster groups find props busy."""
    _, line = steady(SITE, 20, 1, faster=2.0)
    assert line.lost["ice-house-door"] > 0.1 * line.came["ice-house-door"]


def test_a_line_of_zones_loses_triggers_as_erlang_says() -> None:
    """Random arrivals stay random on the way: simpy's share at every prop is Erlang's loss."""
    line = at_random(SITE, 30, 250, 2)
    for name, ms in busy_ms(SITE, Strength.STANDARD).items():
        expected = blocked(30, ms / 1000).blocked_fraction
        # Three standard deviations of a share among some 7500 triggers.
        assert line.blocked_share(name) == pytest.approx(expected, abs=0.016), name


def test_one_prop_with_a_rest_loses_what_erlangs_formula_says() -> None:
    """30 groups an hour at a prop busy for 45 s: 27.27 % are lost (Erlang B, one server)."""
    rng = Random(3)
    one = Walk(("prop",), ("zone",), ("zone",), (1000.0, 1000.0), (2000.0,))
    line = simulate(
        one, {"prop": 45_000.0}, lambda: rng.expovariate(30) * HOUR_MS, lambda: lambda: 1.0, 400
    )
    assert blocked(30, 45).blocked_fraction == pytest.approx(0.272727, abs=1e-6)
    assert line.blocked_share("prop") == pytest.approx(0.2727, abs=0.013)


def test_a_fixed_beat_loses_every_second_trigger_of_a_slow_prop() -> None:
    """Groups 25 s apart at a prop busy for 45 s: exactly every second one is lost."""
    one = Walk(("prop",), ("zone",), ("zone",), (1000.0, 1000.0), (2000.0,))
    line = simulate(one, {"prop": 45_000.0}, lambda: 25_000.0, lambda: lambda: 1.0, 10)
    assert line.blocked_share("prop") == pytest.approx(0.5, abs=0.001)
