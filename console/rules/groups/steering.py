"""What each prop is to show next, and for whom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random

from console.rules.groups.choice import Choices, Limits
from console.rules.groups.follower import Follower
from console.rules.groups.group import Group
from console.rules.groups.plans import Plans
from console.site.models import Prop, Site

AHEAD_MS = 6000.0
"""A decision must hold so long: until the next one is made and has reached the board."""
DOUBT = 0.02
"""A group with a larger share than this in the next trigger has a say in what is shown."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What a prop is to show at its next trigger.

    `sequence` is None where it is to stay quiet: then it follows neither sensor nor actor. `now` is
    the group that it is set for, None for nobody; `next` the one after. `why` is empty where the
    group gets exactly what it asked for.
    """

    sequence: str | None
    now: int | None = None
    next: int | None = None
    why: str = ""


class Steering:
    """Decides for every prop of a site. It may be asked at any moment, also in mid-cycle."""

    def __init__(self, site: Site, follower: Follower, choices: Choices, random: Random) -> None:
        self._follower = follower
        self._choices = choices
        self._plans = Plans(random)
        self._props = {p.name: p for p in site.props}

    def played(self, prop: str, sequence: str) -> None:
        """A prop has begun a cycle."""
        self._plans.played(prop, sequence)

    def decide(
        self, prop: str, groups: Mapping[int, Group], limits: Limits, now_ms: float
    ) -> Decision:
        """What a prop is to show from now on; `groups` are those in the walk."""
        at = self._props[prop]
        past, coming = self._follower.next_at(prop)
        chances = self._follower.chances(prop, now_ms, AHEAD_MS)
        likely = [n for n, share in chances.items() if share > DOUBT and n in groups]
        if not likely:
            likely = [n for n in (past, coming) if n is not None] if coming is not None else []
        if not likely:
            return self._idle(at, limits)
        mildest = min(groups[n].strength_in(at.zone) for n in likely)
        spared = frozenset(word for n in likely for word in groups[n].exclude)
        found = self._choices.offer(prop, mildest, spared, limits)
        first = max(likely, key=lambda n: chances.get(n, 0.0))
        after = [n for n in groups if n > first]
        name = self._pick(at, found.names) if found.names else None
        why = found.why
        if groups[first].strength_in(at.zone) > mildest:
            milder = next(n for n in likely if groups[n].strength_in(at.zone) == mildest)
            why = f"{mildest.value}, because it may be group {milder}"
        return Decision(name, first, min(after, default=None), why)

    def _idle(self, prop: Prop, limits: Limits) -> Decision:
        strength = prop.sequence(prop.default_sequence).strength
        found = self._choices.offer(prop.name, strength, frozenset(), limits)
        return Decision(self._pick(prop, found.names) if found.names else None, why=found.why)

    def _pick(self, prop: Prop, names: tuple[str, ...]) -> str:
        return self._plans.pick(prop.name, prop.plan, prop.default_sequence, names)
