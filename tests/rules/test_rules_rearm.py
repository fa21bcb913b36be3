"""Arming again offers what was armed before, less what must not be."""

from __future__ import annotations

from console.rules.permits import Facts
from console.rules.rearm import caution, offered
from console.views.models import PropFlag, PropState


def test_tagged_faulted_unchecked_and_armed_props_are_not_offered() -> None:
    """Only what is merely disarmed or away is on offer, in the order in which it was armed."""
    facts = {
        "lid": Facts(),
        "cart": Facts(tags=("mara",)),
        "door": Facts(state=PropState.FAULT),
        "bell": Facts(state=PropState.ARMED),
        "hatch": Facts(),
        "gone": Facts(state=PropState.OFFLINE),
    }
    before = ("gone", "hatch", "lid", "cart", "door", "bell", "unknown")
    assert offered(before, facts, {"hatch": (PropFlag.UNCHECKED,)}) == ("gone", "lid")


def test_the_caution_names_what_returning_air_moves() -> None:
    """Before arming, people are told to stand clear of what can move with its output off."""
    titles = {"lid": "Chest lid", "cart": "Lurching cart"}
    assert caution(("lid", "cart"), {"cart": True}, titles) == (
        "Air returns: stand clear of Lurching cart."
    )
    assert caution(("lid",), {"cart": True}, titles) == ""
