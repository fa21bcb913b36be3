"""What lets a prop stay quiet for a group: one more sequence on its board, which does nothing.

It is chosen like any other, so a board never has to be disarmed and armed for a group.
"""

from __future__ import annotations

from collections.abc import Iterable

from console.rules.groups.choice import properties_of
from console.site.capacity import capacity_of
from console.site.kinds import OutputKind, Strength
from console.site.models import Controller, Prop, Site
from drivers.setup import SequenceSetup
from drivers.words import SequenceKind

STAYS_QUIET = "stays quiet"
"""The name under which its cycles are recorded; no sequence of a site file can have it."""
LENGTH_MS = 1000


def always_has_something(prop: Prop) -> bool:
    """Whether some sequence suits every group."""
    return any(s.strength is Strength.QUIET and not properties_of(prop, s) for s in prop.sequences)


def pause_numbers(site: Site, controller: Controller) -> dict[str, int]:
    """The number of the pause of each prop that may need one, as far as its board has room."""
    props = site.props_of_controller(controller.name)
    used = max(
        (
            n
            for p in props
            for n in (*(s.number for s in p.sequences), p.idle.number if p.idle else 0)
        ),
        default=0,
    )
    room = capacity_of(controller.driver, controller.board).sequences
    wanting = [p.name for p in props if not always_has_something(p) and _any_output(p)]
    return {name: used + i for i, name in enumerate(wanting, start=1) if used + i <= room}


def pauses(site: Site, controller: Controller) -> Iterable[SequenceSetup]:
    """The pauses as a board is told them: one output is switched off that is off already."""
    numbers = pause_numbers(site, controller)
    for prop in site.props_of_controller(controller.name):
        if prop.name in numbers:
            step = (0, _any_output(prop), False)
            yield SequenceSetup(
                numbers[prop.name], prop.index, SequenceKind.CYCLE, LENGTH_MS, (step,)
            )


def _any_output(prop: Prop) -> int:
    """An output that may be switched off at any time; 0 where there is none."""
    return next((c.output for c in prop.channels if c.kind is not OutputKind.DUMP), 0)
