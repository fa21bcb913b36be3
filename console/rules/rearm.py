"""What was armed before and may be armed again in one action."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from console.rules.permits import Facts
from console.views.models import PropFlag, PropState


def offered(
    before: Iterable[str], facts: Mapping[str, Facts], flags: Mapping[str, tuple[PropFlag, ...]]
) -> tuple[str, ...]:
    """The props of `before` to offer, in order.

    What is tagged, faulted, unchecked, armed already or had an incident is left out; what is
    merely not ready yet, such as offline, stays on offer and is refused when asked for.
    """
    return tuple(
        name
        for name in before
        if name in facts
        and not facts[name].tags
        and not facts[name].tagged_on_board
        and not facts[name].incident
        and (facts[name].checked or "checked" in facts[name].overridden)
        and facts[name].state
        not in (PropState.FAULT, PropState.ARMED, PropState.RUNNING, PropState.RESTING)
        and PropFlag.UNCHECKED not in flags.get(name, ())
    )


AIR_RETURNS = "Air returns: stand clear of {props}."


def caution(
    offer: Iterable[str], moved_by_air: Mapping[str, bool], titles: Mapping[str, str]
) -> str:
    """What to say before arming, where returning air can move a motion; empty where it can't."""
    moving = [titles[name] for name in offer if moved_by_air.get(name)]
    return AIR_RETURNS.format(props=", ".join(moving)) if moving else ""
