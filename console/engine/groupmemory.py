"""What one engine of a site leaves to the next one about groups."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from console.engine.badrequest import BadRequest
from console.engine.groupargs import size_of, strength_of, words_of
from console.rules.groups.group import Group

if TYPE_CHECKING:
    from console.engine.groups import Groups

OLDEST_NS = 2 * 3600 * 10**9
"""A group that went in longer ago is not followed on."""


def record(groups: Groups) -> dict[str, object]:
    """What the next engine of the site must know."""
    best = {t.group: t for t in groups.follower.guesses[0].tracks}
    now = groups.world.now
    return {
        "last": groups.last.number if groups.last else 0,
        "by_hand": [p.name for p in groups.world.props.values() if p.by_hand],
        "groups": [
            {
                "number": g.number, "size": g.size, "strength": g.strength.value,
                "note": g.note, "exclude": sorted(g.exclude), "by": g.by,
                "quiet_zones": sorted(g.quiet_zones),
                "sent_wall_ns": now.wall_of(groups.follower.sent_ms(g.number)),
                "station": best[g.number].station,
                "at_wall_ns": now.wall_of(best[g.number].at_ms),
            }
            for g in groups.within.values()
        ],
    }  # fmt: skip


def recall(groups: Groups, show: object) -> None:
    """Take up what `record` kept."""
    if not isinstance(show, Mapping):
        return
    world = groups.world
    for name in show.get("by_hand", ()):
        if name in world.props:
            world.props[name].by_hand = True
    for row in show.get("groups", ()):
        _take_up(groups, row)
    last = show.get("last")
    if groups.last is None and isinstance(last, int) and last > 0 and world.night is not None:
        groups.last = Group(last)


def _take_up(groups: Groups, row: Mapping[str, object]) -> None:
    """Follow a group on that the last engine had in the walk."""
    now = groups.world.now
    try:
        sent_ns, at_ns = int(str(row["sent_wall_ns"])), int(str(row["at_wall_ns"]))
        number, station = int(str(row["number"])), int(str(row["station"]))
        group = Group(
            number, size_of(row.get("size")), strength_of(row.get("strength")),
            str(row.get("note", "")), words_of(row.get("exclude")),
            words_of(row.get("quiet_zones")), str(row.get("by", "")),
        )  # fmt: skip
    except (KeyError, ValueError, BadRequest):
        return
    if not 0 <= now.wall_ns - sent_ns < OLDEST_NS:
        return
    groups.within[number] = group
    groups.tonight.append(group)
    groups.last, groups.last_wall_ns = group, sent_ns
    groups.follower.send(number, group.size, now.mono_ms - (now.wall_ns - sent_ns) / 1e6)
    if 0 <= station < groups.walk.exit:
        at_ms = now.mono_ms - (now.wall_ns - at_ns) / 1e6
        groups.follower.correct(number, station, min(at_ms, now.mono_ms))
