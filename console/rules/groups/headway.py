"""How soon the next group may go, why not sooner, and how many that makes in an hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from console.rules.groups.choice import Choices, Limits
from console.rules.groups.follower import Follower
from console.rules.groups.group import DEFAULT_SIZE, Group
from console.rules.groups.track import PER_GUEST_MS
from console.site.kinds import Strength
from console.site.models import Prop, Site

GAP_MS = 12_000.0
"""Between the last of a group and the first of the next one, so that they do not meet."""
QUICK = 0.75
"""The next group may need only this share of the usual time."""
HOUR_MS = 3_600_000.0
LATE_MS = 15_000.0
"""A group later than this is called slow."""


class Because(StrEnum):
    """What the next group waits for."""

    NOTHING = "nothing"  # it may go
    PROP = "prop"  # a prop would still run or rest when it comes
    AIR = "air"  # the air has not recovered
    AHEAD = "group ahead"  # it would catch up with the group ahead
    SITE = "site file"  # the headway of the site file


@dataclass(frozen=True, slots=True)
class Ready:
    """From when on the next group may go; `subject` names the prop or the group that it waits for.

    `reason` says why in words that hold while it waits.
    """

    at_ms: float
    because: Because = Because.NOTHING
    subject: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Steady:
    """What one need asks for between any two groups of tonight."""

    ms: float
    because: Because
    subject: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Rate:
    """What the walk can do in an hour at its shortest headway, and the change that gains most."""

    headway_ms: float
    groups_per_hour: float
    guests_per_hour: float
    limit: Steady
    gain: str


class Headway:
    """Judges the headway of one site. Times are those of the follower's clock."""

    def __init__(self, site: Site, follower: Follower, choices: Choices) -> None:
        self._site = site
        self._follower = follower
        self._choices = choices
        walk = follower.walk
        self._props = [p for p in site.props if p.name in walk.props]
        self._title = {z.name: z.title for z in site.zones}

    def ready(
        self,
        last: Group | None,
        now_ms: float,
        limits: Limits,
        *,
        resting_until_ms: dict[str, float] | None = None,
        air_ready_ms: float | None = None,
    ) -> Ready:
        """When the next group may go behind `last`, the one sent last, if it is in the walk.

        `resting_until_ms` says of props when their rest is over, as their boards say it.
        `air_ready_ms` is when the tank will hold what the next group's sequences need; without it
        the site file's recovery time counts from when the last group was sent.
        """
        if last is None or last.number not in self._follower.numbers:
            return Ready(now_ms)
        sent_ms = self._follower.sent_ms(last.number)
        found = [self._air(sent_ms, air_ready_ms), self._by_file(sent_ms)]
        found += [self._prop(p, last, now_ms, limits, resting_until_ms or {}) for p in self._props]
        found += [self._ahead(p, last, now_ms) for p in self._props]
        latest = max(found, key=lambda ready: ready.at_ms)
        if latest.at_ms <= now_ms:
            return Ready(now_ms)
        slow = self._slow_in(last, now_ms)
        resting = latest.subject in (resting_until_ms or {})
        if slow and latest.because in (Because.PROP, Because.AHEAD) and not resting:
            reason = f"group {last.number} is slow in the {slow}"
            return Ready(latest.at_ms, Because.AHEAD, str(last.number), reason)
        return latest

    def rate(self, groups: Sequence[Group], limits: Limits) -> Rate:
        """What tonight's groups, or ordinary ones without any, allow in an hour."""
        sizes = [g.size for g in groups] or [DEFAULT_SIZE]
        size = sum(sizes) / len(sizes)
        strengths = [g.strength for g in groups] or [Strength.STANDARD]
        # A quick group behind a usual one gains on it all the way.
        gains_ms = (1 - QUICK) * self._follower.walk.place_ms(self._follower.walk.exit - 1)
        room_ms = gains_ms + PER_GUEST_MS * size + GAP_MS
        needs = [Steady(room_ms, Because.AHEAD, text="room between groups")]
        rules = self._site.rules
        if rules.air_recovery_ms:
            needs.append(Steady(rules.air_recovery_ms, Because.AIR, text="the air's recovery"))
        if rules.headway_ms:
            text = "the site file's headway"
            needs.append(Steady(rules.headway_ms, Because.SITE, text=text))
        for prop in self._props:
            # The prop is busy as long as the group before made it: on average over tonight's.
            busy = [self._busy_ms(prop, strength, limits) for strength in strengths]
            gains_ms = (1 - QUICK) / QUICK * self._way_ms(prop)
            ms = gains_ms + sum(busy) / len(busy)
            needs.append(Steady(ms, Because.PROP, prop.name, prop.title))
        needs.sort(key=lambda need: need.ms, reverse=True)
        limit = needs[0]
        per_hour = HOUR_MS / limit.ms
        return Rate(limit.ms, per_hour, per_hour * size, limit, _gain(needs))

    # --- inside -------------------------------------------------------------------------------

    def _busy_ms(self, prop: Prop, strength: Strength, limits: Limits) -> float:
        found = self._choices.offer(prop.name, strength, frozenset(), limits)
        return float(found.longest_ms + prop.rest_ms) if found.names else 0.0

    def _way_ms(self, prop: Prop) -> float:
        walk = self._follower.walk
        return QUICK * walk.place_ms(walk.props.index(prop.name))

    def _arrival_ms(self, prop: Prop, group: Group, now_ms: float) -> float:
        """When the last group comes or came to a prop; not before now where it isn't there yet."""
        walk = self._follower.walk
        at = self._follower.arrival_ms(group.number, prop.name)
        station = walk.props.index(prop.name)
        passed = self._follower.passed(group.number)
        if station <= passed:
            return at
        # One that is late has the rest of its way still before it.
        rest_ms = walk.place_ms(station) - walk.place_ms(passed + 1)
        return max(at, now_ms + rest_ms)

    def _prop(
        self,
        prop: Prop,
        last: Group,
        now_ms: float,
        limits: Limits,
        resting: dict[str, float],
    ) -> Ready:
        busy_ms = self._busy_ms(prop, last.strength_in(prop.zone), limits)
        free_ms = self._arrival_ms(prop, last, now_ms) + busy_ms
        here = resting.get(prop.name)
        if here is not None and here > now_ms:
            free_ms = max(free_ms, here)
            words = f"{prop.title} rests {{s}} s more"
        else:
            words = f"{prop.title} is busy for {busy_ms / 1000:.0f} s with each group"
        at_ms = free_ms - self._way_ms(prop)
        left = f"{max(0.0, free_ms - now_ms) / 1000:.0f}"
        return Ready(at_ms, Because.PROP, prop.name, words.replace("{s}", left))

    def _ahead(self, prop: Prop, last: Group, now_ms: float) -> Ready:
        arrival_ms = self._arrival_ms(prop, last, now_ms)
        at_ms = arrival_ms + PER_GUEST_MS * last.size + GAP_MS - self._way_ms(prop)
        words = f"group {last.number} must get ahead"
        return Ready(at_ms, Because.AHEAD, str(last.number), words)

    def _slow_in(self, last: Group, now_ms: float) -> str:
        """The zone in which the last group is later than it should be, empty where it is not."""
        station = self._follower.passed(last.number) + 1
        if station >= self._follower.walk.exit:
            return ""
        due_ms = self._follower.arrival_ms(last.number, self._follower.walk.props[station])
        zone = self._follower.walk.zone_of[station]
        return self._title[zone].lower() if now_ms - due_ms > LATE_MS else ""

    def _air(self, sent_ms: float, air_ready_ms: float | None) -> Ready:
        at_ms = air_ready_ms
        if at_ms is None:
            at_ms = sent_ms + (self._site.rules.air_recovery_ms or 0)
        return Ready(at_ms, Because.AIR, "", "the air recovers")

    def _by_file(self, sent_ms: float) -> Ready:
        least = self._site.rules.headway_ms or 0
        words = f"the site file asks for {least / 1000:.0f} s between groups"
        return Ready(sent_ms + least, Because.SITE, "", words)


def _gain(needs: Sequence[Steady]) -> str:
    """The one change that would gain most: ease what limits, as far as the next need allows."""
    limit = needs[0]
    following = needs[1].ms if len(needs) > 1 else 0.0
    less_ms = limit.ms - following
    if less_ms < 1000 or following <= 0:
        second = f" and {needs[1].text}" if len(needs) > 1 else ""
        return f"{limit.text}{second} set it together"
    more = HOUR_MS / following - HOUR_MS / limit.ms
    what = "cycle and rest" if limit.because is Because.PROP else ""
    of = f" of {what}" if what else ""
    return f"{limit.text}, {less_ms / 1000:.0f} s less{of}: {more:.0f} more groups an hour"
