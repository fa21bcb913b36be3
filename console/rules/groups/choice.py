"""Which sequences of a prop suit a group: never stronger than it asked for, nothing it excluded."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from console.site.kinds import Strength
from console.site.models import Prop, QuietHours, Sequence, Site


@dataclass(frozen=True, slots=True)
class Limits:
    """What holds for every group at this hour."""

    ceiling: Strength = Strength.STRONG
    exclude: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Offer:
    """The sequences of one strength that suit, in the order of the file; none: it stays quiet.

    `why` says so in words where it is less than was asked for.
    """

    names: tuple[str, ...]
    strength: Strength | None = None
    why: str = ""
    longest_ms: int = 0


def limits_at(site: Site, time: dt.time) -> Limits:
    """What the site file asks for at this local time."""
    found = [
        word for hours in site.rules.quiet_hours if _within(hours, time) for word in hours.exclude
    ]
    return Limits(site.rules.ceiling, frozenset(found))


def _within(hours: QuietHours, time: dt.time) -> bool:
    if hours.begins <= hours.ends:
        return hours.begins <= time <= hours.ends
    return time >= hours.begins or time <= hours.ends


def properties_of(prop: Prop, sequence: Sequence) -> frozenset[str]:
    """The properties of every output that a sequence switches on."""
    used = {step.output for step in sequence.steps if step.on}
    return frozenset(word for c in prop.channels if c.output in used for word in c.properties)


class Choices:
    """What each prop of a site may show, by strength and exclusions."""

    def __init__(self, props: Iterable[Prop]) -> None:
        self._sequences = {
            p.name: [(s.name, s.strength, s.length_ms, properties_of(p, s)) for s in p.sequences]
            for p in props
        }
        self._known: dict[tuple[str, Strength, frozenset[str], Limits], Offer] = {}

    def offer(
        self, prop: str, strength: Strength, exclude: frozenset[str], limits: Limits
    ) -> Offer:
        """What a prop may show for a strength: the nearest milder one where it has none of it."""
        key = (prop, strength, exclude, limits)
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._work_out(*key)
        return found

    def _work_out(
        self, prop: str, strength: Strength, exclude: frozenset[str], limits: Limits
    ) -> Offer:
        most = min(strength, limits.ceiling)
        spared = exclude | limits.exclude
        mild_enough = [s for s in self._sequences[prop] if s[1] <= most]
        suiting = [s for s in mild_enough if not s[3] & spared]
        if not suiting:
            lack = "quiet" if most is Strength.QUIET else f"{most.value} or milder"
            if mild_enough:
                lack = f"without {', '.join(sorted(spared))}"
            return Offer((), None, f"nothing {lack}: stays quiet")
        best = max(s[1] for s in suiting)
        of_best = [s for s in suiting if s[1] == best]
        why = "" if best == strength else f"{best.value} instead of {strength.value}"
        return Offer(tuple(s[0] for s in of_best), best, why, max(s[2] for s in of_best))
