"""Permits: every check runs, and each refusal says what is wrong and what to do."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.actions import ACTIONS, BY_ID
from console.rules.permits import CHECKS, Facts, refusals
from console.views.models import LinkState, PropState

READY = Facts(state=PropState.ARMED)

BREAKING = {
    "online": replace(READY, link=LinkState.LOST),
    "matching": replace(READY, link=LinkState.DIFFERS),
    "not_stopped": replace(READY, latched=True),
    "stop_input_closed": replace(READY, open_stop_inputs=("ice-door",)),
    "not_tagged": replace(READY, tags=("mara",)),
    "not_paused": Facts(paused=True),
    "checked": Facts(checked=False),
    "no_fault": replace(READY, state=PropState.FAULT),
    "supply": replace(READY, supply_low=True, supply_v=19.5),
    "pressure": replace(READY, pressure_psi=40.0, needed_psi=55.0),
    "armed": replace(READY, state=PropState.DISARMED),
    "disarmed": READY,
    "rested": replace(READY, state=PropState.RESTING),
    "area_clear": replace(READY, area_clear=False),
    "home": replace(READY, home=False),
}

facts = st.builds(
    Facts,
    link=st.sampled_from(LinkState),
    state=st.sampled_from(PropState),
    latched=st.booleans(),
    open_stop_inputs=st.sampled_from([(), ("ice-door",)]),
    tags=st.sampled_from([(), ("mara",)]),
    tagged_on_board=st.booleans(),
    supply_low=st.booleans(),
    pressure_psi=st.one_of(st.none(), st.floats(0, 150)),
    needed_psi=st.floats(0, 150),
    area_clear=st.booleans(),
    home=st.booleans(),
)


def test_every_check_has_its_example() -> None:
    """No check goes without an example of what it refuses."""
    assert set(BREAKING) == set(CHECKS)


@pytest.mark.parametrize("name", list(BREAKING))
def test_each_check_refuses_its_example_with_a_remedy(name: str) -> None:
    """The refusal carries the check's name, a reason and what to do."""
    found = CHECKS[name](BREAKING[name])
    assert found is not None
    assert found.check == name
    assert found.reason
    assert found.remedy.endswith(".")
    assert found.may_override is False


def test_a_ready_prop_may_be_fired() -> None:
    """Nothing is refused where nothing is wrong."""
    assert refusals(BY_ID["fire"].permits, READY) == ()


def test_resting_refuses_a_fire_and_no_arm() -> None:
    """A prop at rest may be armed, for it will be ready by itself."""
    resting = replace(READY, state=PropState.RESTING)
    assert refusals(BY_ID["arm"].permits, resting) == ()
    assert [r.check for r in refusals(BY_ID["fire"].permits, resting)] == ["rested"]


@given(facts)
def test_nothing_starts_while_latched_or_tagged(given_facts: Facts) -> None:
    """No state of anything else lets an arm, fire or test through a stop or a tag."""
    if given_facts.latched or given_facts.tags or given_facts.tagged_on_board:
        for action in ("arm", "fire", "test"):
            assert refusals(BY_ID[action].permits, given_facts)


@given(facts)
def test_stop_and_disarm_have_no_permits(given_facts: Facts) -> None:
    """Disarming is never refused by a check, whatever the facts."""
    assert refusals(BY_ID["disarm"].permits, given_facts) == ()
    assert "stop" not in {a.id for a in ACTIONS}
