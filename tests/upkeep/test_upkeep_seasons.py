"""The proof's simulated seasons, short enough for every run."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.proof.upkeep_seasons import forecasts, slowing, stock


@pytest.mark.parametrize("apart", [0.0, 0.01])
def test_wear_is_found_and_health_left_alone(tmp_path: Path, apart: float) -> None:
    """Seasons through real ledgers: every slow-down found on its way, hardly a false flag."""
    found = slowing(tmp_path, random.Random(6), sites=1, props=6, odd=apart)
    assert found["slowing_missed"] == 0
    assert found["delay_median_cycles"] <= 230
    assert found["false_flags_per_site_in_ten_nights"] <= 1
    assert found["plain_one_value_15_percent_flagged_healthy_share"] > 0.3


def test_chances_come_true_as_often_as_they_say(tmp_path: Path) -> None:
    """Hardly ever below 5 %, nearly always above 95 %, and far better than counting on."""
    found = forecasts(tmp_path, random.Random(6), props=20, nights=40)
    assert found["said_0.00_to_0.05_came"] <= 0.05
    assert found["said_0.95_to_1.00_came"] >= 0.90
    assert 0.25 <= found["said_0.35_to_0.65_came"] <= 0.75
    assert found["within_80_percent_span"] >= 0.80
    assert found["brier"] < 0.7 * found["plain_brier"]


def test_spares_run_out_no_more_often_than_asked(tmp_path: Path) -> None:
    """At 95 % the van is short in few of the weekends, with no knowledge of the true life."""
    found = stock(tmp_path, random.Random(6), props=12, nights=120, confidence=0.95)
    assert found["failures"] > 20
    assert found["stock_out_share"] <= 0.10
    assert found["stock_outs"] < found["plain_last_and_one_stock_outs"]
