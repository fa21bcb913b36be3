"""Overrides: named, for one prop, one check and one night."""

from __future__ import annotations

import pytest

from console.rules.permits import CHECKS, MAY_OVERRIDE, Facts, refusals
from console.views.models import LinkState, PropState
from drivers.words import BoardFlags
from tests.engine.conftest import MakeNight
from tests.engine.night import Night

PROP = "prop-1"


def sag(night: Night) -> None:
    """The board says that its coil supply is low."""
    report = night.core.world.controllers["board-1"].report
    assert report is not None
    object.__setattr__(report, "flags", report.flags | BoardFlags.LOW_SUPPLY)


def test_a_low_supply_is_overridden_for_the_night(night: MakeNight) -> None:
    """The refusal says that it may be overridden; with name and reason it is, until the close."""
    here = night()
    assert not here.ask("override", prop=PROP, check="supply", by="Ada", why="seen")["ok"]
    assert here.ask("open_night", by="Ada")["ok"]
    sag(here)
    answer = here.ask("arm", props=[PROP])
    assert not answer["ok"]
    assert answer["refused"][0]["may_override"] is True
    assert here.ask("override", prop=PROP, check="supply", by="Ada", why="meter says 24 V")["ok"]
    sag(here)
    assert here.ask("arm", props=[PROP])["ok"]
    assert here.prop(PROP).overrides == ("supply (by Ada)",)
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    assert here.prop(PROP).overrides == ("supply (by Ada)",)
    assert here.ask("close_night", by="Ada")["ok"]
    here.until(lambda: here.prop(PROP).overrides == ())


@pytest.mark.parametrize("check", sorted(set(CHECKS) - MAY_OVERRIDE))
def test_nothing_that_can_hurt_is_overridden(night: MakeNight, check: str) -> None:
    """A tag, a stop, a fault or somebody in the way cannot be overridden by anybody."""
    here = night()
    assert here.ask("open_night", by="Ada")["ok"]
    assert not here.ask("override", prop=PROP, check=check, by="Ada", why="please")["ok"]
    facts = Facts(
        link=LinkState.LOST, state=PropState.OFFLINE, latched=True, tags=("Ada",),
        area_clear=False, home=False, overridden=frozenset(CHECKS),
    )  # fmt: skip
    found = {r.check for r in refusals(CHECKS, facts)}
    assert {"online", "not_stopped", "not_tagged", "area_clear", "home"} <= found
