"""What consoles see of groups, the headway and the crowd."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypedDict

from console.engine.world import PropNow
from console.rules.groups.headway import Because, Steady
from console.views.models import CrowdView, Entity, GroupView, HeadwayView

if TYPE_CHECKING:
    from console.engine.groups import Groups


class PropFields(TypedDict):
    """What the view of a prop says of groups."""

    now_group: int | None
    now_strength: str
    next_group: int | None
    next_strength: str
    group_note: str
    by_hand: bool
    outdoor: bool


def group_of(groups: Groups, key: str) -> Entity | None:
    """The view of `group/NUMBER`, `headway` or `crowd`."""
    if key == "headway":
        return headway_view(groups)
    if key == "crowd":
        return crowd_view(groups)
    return group_view(groups, key.removeprefix("group/"))


def group_view(groups: Groups, name: str) -> GroupView | None:
    """A group in the walk."""
    group = groups.within.get(int(name)) if name.isdecimal() else None
    if group is None:
        return None
    where = groups.where.get(group.number)
    now = groups.world.now
    total = groups.follower.walk.total_ms
    return GroupView(
        number=group.number,
        size=group.size,
        strength=group.strength.value,
        sent_wall_ns=now.wall_of(groups.follower.sent_ms(group.number)),
        zone=where.zone if where else groups.walk.zones[0],
        place_percent=round(100 * where.place_ms / total) if where else 0,
        sure_percent=round(100 * where.sure) if where else 100,
        near=where.near if where else (),
        noticed_wall_ns=now.wall_of(where.noticed_ms) if where else 0,
        note=group.note,
        exclude=tuple(sorted(group.exclude)),
        quiet_zones=tuple(z for z in groups.walk.zones if z in group.quiet_zones),
        by=group.by,
    )


def _sets(limit: Steady) -> str:
    """What sets the shortest headway, as a sentence."""
    what = limit.text[:1].upper() + limit.text[1:]
    return f"{what} sets it{' with cycle and rest' if limit.because is Because.PROP else ''}."


def headway_view(groups: Groups) -> HeadwayView:
    """When the next one may go."""
    ready, rate, last, now = groups.ready, groups.rate, groups.last, groups.world.now
    return HeadwayView(
        ready_wall_ns=now.wall_of(ready.at_ms) if ready.reason else 0,
        reason=ready.reason,
        shortest_ms=round(rate.headway_ms) if rate else 0,
        groups_per_hour=round(rate.groups_per_hour, 1) if rate else 0.0,
        guests_per_hour=round(rate.guests_per_hour) if rate else 0.0,
        limit=_sets(rate.limit) if rate else "",
        gain=rate.gain if rate else "",
        last_number=last.number if last else 0,
        last_size=last.size if last else 0,
        last_strength=last.strength.value if last else "",
        last_note=last.note if last else "",
        last_exclude=tuple(sorted(last.exclude)) if last else (),
        last_wall_ns=groups.last_wall_ns,
    )


def crowd_view(groups: Groups) -> CrowdView:
    """Tonight in numbers."""
    book = groups.book
    return CrowdView(
        groups=book.groups,
        guests=book.guests,
        in_walk=len(groups.within),
        through=len(book.through_ms),
        average_through_ms=book.average_through_ms,
        longest_wait_ms=round(book.longest_wait_ms),
        walk_ms=tuple(
            (zone, round(ms)) for zone, ms in groups.follower.walk.zone_times_ms().items()
        ),
        per_quarter=tuple(sorted(book.per_quarter.items())),
        missed=tuple((p, r, n) for (p, r), n in book.missed.most_common()),
    )


def prop_fields(groups: Groups, prop: PropNow) -> PropFields:
    """What the view of a prop says of groups."""
    decision = groups.decisions.get(prop.name)
    now = groups.within.get(decision.now) if decision and decision.now else None
    following = groups.within.get(decision.next) if decision and decision.next else None
    zone = prop.prop.zone
    return {
        "now_group": now.number if now else None,
        "now_strength": now.strength_in(zone).value if now else "",
        "next_group": following.number if following else None,
        "next_strength": following.strength_in(zone).value if following else "",
        "group_note": decision.why if decision and now else "",
        "by_hand": prop.by_hand,
        "outdoor": prop.prop.outdoor,
    }
