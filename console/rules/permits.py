"""Whether something may be asked of a prop: one function a check, and all of them run.

A refusal says what is wrong and what to do about it. The names of the checks are those that
`console.actions` lists; a gate closes single props, never the whole night.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from console.rules.remedies import REASONS
from console.views.models import LinkState, PropState, Refusal
from drivers.words import Reason


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a prop and of the site at one moment.

    `pressure_psi` is None where nobody measures it; `open_stop_inputs` names controllers.
    """

    link: LinkState = LinkState.LIVE
    link_message: str = ""
    state: PropState = PropState.DISARMED
    latched: bool = False
    open_stop_inputs: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    tagged_on_board: bool = False
    supply_low: bool = False
    supply_v: float | None = None
    pressure_psi: float | None = None
    needed_psi: float = 0.0
    area_clear: bool = True
    home: bool = True
    idle_since_rest: bool = True
    """Whether the rest after its last cycle is over, as far as anybody knows."""
    paused: bool = False
    incident: bool = False
    """Whether something happened at it tonight after which nobody armed it by itself."""
    checked: bool = True
    """Whether its part of the opening check has passed, where the site file asks for that."""
    overridden: frozenset[str] = frozenset()
    """Checks that somebody overrode for this prop tonight."""


Check = Callable[[Facts], Refusal | None]


def _refused(check: str, reason: Reason) -> Refusal:
    row = REASONS[reason]
    return Refusal(check, row.reason, row.remedy)


def online(facts: Facts) -> Refusal | None:
    """Its controller is there and has reported lately."""
    alive = facts.link in (LinkState.LIVE, LinkState.DIFFERS, LinkState.UPLOADING)
    if alive and facts.state is not PropState.OFFLINE:
        return None
    said = f" ({facts.link_message})" if facts.link_message else ""
    return Refusal(
        "online",
        f"no word from its controller{said}",
        "Check the controller's power and its cable; it comes back by itself.",
    )


def matching(facts: Facts) -> Refusal | None:
    """Its controller holds what the site file says."""
    if facts.link is LinkState.UPLOADING:
        return Refusal("matching", "its sequences are being sent", "Wait a second, then ask again.")
    if facts.link is not LinkState.DIFFERS:
        return None
    return Refusal(
        "matching",
        "its controller holds another setup than the site file",
        "Send the site file's sequences to it, or run the night with the file it was set up from.",
    )


def not_stopped(facts: Facts) -> Refusal | None:
    """No all-stop is latched."""
    if not facts.latched and facts.state is not PropState.STOPPED:
        return None
    return Refusal(
        "not_stopped", "an all-stop is latched", "Find out why, then clear the all-stop."
    )


def stop_input_closed(facts: Facts) -> Refusal | None:
    """No hardwired stop is open."""
    if not facts.open_stop_inputs:
        return None
    return Refusal(
        "stop_input_closed",
        f"the hardwired stop is open at {', '.join(facts.open_stop_inputs)}",
        REASONS[Reason.STOP_INPUT].remedy,
    )


def not_tagged(facts: Facts) -> Refusal | None:
    """Nobody's tag is on it."""
    if not facts.tags and not facts.tagged_on_board:
        return None
    who = f"tagged by {', '.join(facts.tags)}" if facts.tags else "its controller says it is tagged"
    return Refusal("not_tagged", who, REASONS[Reason.TAGGED].remedy)


def not_paused(facts: Facts) -> Refusal | None:
    """The night is not paused."""
    if not facts.paused:
        return None
    return Refusal("not_paused", "the night is paused", "Resume the night first.")


def checked(facts: Facts) -> Refusal | None:
    """Its part of tonight's opening check has passed, where the site file asks for it."""
    if facts.checked:
        return None
    return Refusal(
        "checked",
        "opening check not done",
        "Go through what is left of it (screen 9, `sexton opening`), or override it by name.",
    )


def no_fault(facts: Facts) -> Refusal | None:
    """No fault waits to be acknowledged."""
    return _refused("no_fault", Reason.FAULT) if facts.state is PropState.FAULT else None


def supply(facts: Facts) -> Refusal | None:
    """The coils get their voltage."""
    if not facts.supply_low:
        return None
    volts = f" ({facts.supply_v:.1f} V)" if facts.supply_v is not None else ""
    return Refusal(
        "supply",
        f"its coil supply is low{volts}",
        "Check the supply, its fuse and what else hangs on it.",
    )


def pressure(facts: Facts) -> Refusal | None:
    """There is air enough for the prop and its pilot valves."""
    if facts.pressure_psi is None or facts.pressure_psi >= facts.needed_psi:
        return None
    return Refusal(
        "pressure",
        f"{facts.pressure_psi:.0f} psi, it needs {facts.needed_psi:.0f} psi",
        "Wait for the compressor, or look for what takes the air.",
    )


def armed(facts: Facts) -> Refusal | None:
    """It answers triggers."""
    if facts.state in (PropState.ARMED, PropState.RUNNING, PropState.RESTING):
        return None
    return _refused("armed", Reason.DISARMED)


def disarmed(facts: Facts) -> Refusal | None:
    """It answers no triggers."""
    if facts.state not in (PropState.ARMED, PropState.RUNNING, PropState.RESTING):
        return None
    return _refused("disarmed", Reason.ARMED)


def rested(facts: Facts) -> Refusal | None:
    """No cycle is under way and the rest after the last one is over."""
    if facts.state is PropState.RUNNING:
        return _refused("rested", Reason.RUNNING)
    if facts.state is PropState.RESTING or not facts.idle_since_rest:
        return _refused("rested", Reason.RESTING)
    return None


def area_clear(facts: Facts) -> Refusal | None:
    """Nobody stands where it moves."""
    return None if facts.area_clear else _refused("area_clear", Reason.AREA)


def home(facts: Facts) -> Refusal | None:
    """Every motion with a home sensor is home."""
    return None if facts.home else _refused("home", Reason.NOT_HOME)


CHECKS: dict[str, Check] = {
    check.__name__: check
    for check in (
        online, matching, not_stopped, stop_input_closed, not_tagged, not_paused, checked, no_fault,
        supply, pressure, armed, disarmed, rested, area_clear, home,
    )
}  # fmt: skip
"""Every check by the name under which actions ask for it."""


MAY_OVERRIDE = frozenset({"supply", "pressure", "checked"})
"""Checks that a named person may override for a prop and a night: it may run weakly then, or was
looked at in another way."""


def refusals(names: Iterable[str], facts: Facts) -> tuple[Refusal, ...]:
    """Every check of `names` that does not hold, in their order. Raises KeyError for no check."""
    found = (refusal for name in names if (refusal := CHECKS[name](facts)) is not None)
    return tuple(
        replace(refusal, may_override=refusal.check in MAY_OVERRIDE)
        for refusal in found
        if not (refusal.check in MAY_OVERRIDE and refusal.check in facts.overridden)
    )
