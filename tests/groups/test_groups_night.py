"""A night of groups, followed and steered: short form of `tests/proof/groups_night.py`."""

from __future__ import annotations

from console.site.loading import load
from tests.proof.groups_night import DEMO, Night


def test_props_show_the_right_sequence_to_the_right_group() -> None:
    """99 % right and none above the group's strength; switching at the send gets far less."""
    figures = Night(load(DEMO), 60, 1).run()
    steered, naive = figures["steered"], figures["naive"]
    assert isinstance(steered, dict)
    assert isinstance(naive, dict)
    assert steered["right"] >= 0.99
    assert steered["above_count"] == 0
    assert naive["right"] < 0.85
    assert naive["above"] > 0.05
