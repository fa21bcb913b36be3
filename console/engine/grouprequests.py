"""What operators ask of groups: send, correct, keep a zone quiet, release a switch, rain."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from console.engine.badrequest import BadRequest, text_of
from console.engine.groupargs import size_of, strength_of, words_of
from console.engine.groupbook import SENT
from console.engine.groups import Groups
from console.engine.recording import Recorder
from console.engine.world import PropNow
from console.rules.groups.group import Group
from console.site.kinds import Strength

Result = Mapping[str, object]
Disarmer = Callable[[PropNow], None]


class GroupRequests:
    """Carries out the actions that concern groups. Every method may raise BadRequest."""

    def __init__(self, groups: Groups, recorder: Recorder) -> None:
        self._groups = groups
        self._recorder = recorder

    def send(self, args: Mapping[str, object]) -> Result:
        """Send a group as described."""
        return self._send(
            size_of(args.get("size")), strength_of(args.get("strength")),
            str(args.get("note") or "")[:200], words_of(args.get("exclude")),
            str(args.get("by") or "")[:80],
        )  # fmt: skip

    def repeat(self, args: Mapping[str, object]) -> Result:
        """Send a group like the last one; its note was about the other."""
        groups = self._groups
        last = groups.last
        if last is None:
            raise BadRequest("no group was sent yet", "Send one with its strength first.")
        by = str(args.get("by") or "")[:80]
        return self._send(last.size, last.strength, "", last.exclude, by)

    def correct(self, args: Mapping[str, object]) -> Result:
        """Put a group where the operator sees it."""
        groups = self._groups
        number = args.get("group")
        if not isinstance(number, int) or number not in groups.within:
            known = ", ".join(str(n) for n in groups.within) or "none"
            raise BadRequest(f"group {number} is not in the walk", f"In the walk: {known}.")
        now_ms = groups.world.now.mono_ms
        to = self._target(number, text_of(args, "zone"))
        if to is None:
            groups.gone(groups.follower.leave(number, now_ms))
        else:
            groups.follower.correct(number, groups.walk.before_zone(to), now_ms)
        said = to or "left"
        self._recorder.event("group-corrected", f"group/{number}", str(args.get("by", "")), to=said)
        groups.look()
        return {"group": number, "zone": said}

    def quiet_zone(self, args: Mapping[str, object]) -> Result:
        """Nothing but what is quiet in a zone for the group in it; asked again, as before."""
        groups = self._groups
        zone = text_of(args, "zone")
        if zone not in groups.walk.zones:
            raise BadRequest(
                f"there is no zone {zone[:40]!r}", f"Known are {', '.join(groups.walk.zones)}."
            )
        groups.look()
        there = [n for n, where in groups.where.items() if zone in where.near]
        if not there:
            raise BadRequest(f"no group is in {zone}", "Correct the group that is there first.")
        on = not all(zone in groups.within[n].quiet_zones for n in there)
        for number in there:
            group = groups.within[number]
            zones = group.quiet_zones | {zone} if on else group.quiet_zones - {zone}
            groups.within[number] = replace(group, quiet_zones=zones)
        self._recorder.event(
            "zone-quiet", f"zone/{zone}", str(args.get("by", "")), groups=there, on=on
        )
        groups.revision += 1
        groups.decide(tuple(p.name for p in groups.world.site.props_of_zone(zone)))
        groups.touch()
        return {"zone": zone, "groups": there, "on": on}

    def release(self, prop: PropNow) -> None:
        """Let groups choose again for a prop that an operator switched."""
        groups = self._groups
        prop.by_hand = False
        groups.revision += 1
        groups.decide((prop.name,))

    def rain(self, disarm: Disarmer, args: Mapping[str, object]) -> Result:
        """Disarm every prop outdoors."""
        groups = self._groups
        props = [p for p in groups.world.props.values() if p.prop.outdoor]
        if not props:
            raise BadRequest("no prop stands outdoors", "The site file says which do: `outdoor`.")
        for prop in props:
            disarm(prop)
        names = [p.name for p in props]
        self._recorder.event("rain", "site", str(args.get("by", "")), props=names)
        groups.world.touch("site")
        return {"done": names, "refused": {}}

    def _send(
        self, size: int, strength: Strength, note: str, exclude: frozenset[str], by: str
    ) -> Result:
        groups = self._groups
        if groups.world.paused is not None:
            raise BadRequest("the night is paused", "Resume it, then send the group.")
        number = (groups.last.number if groups.last else 0) + 1
        group = Group(number, size, strength, note, exclude, by=by)
        early_ms = groups.ready.at_ms - groups.world.now.mono_ms if groups.ready.reason else 0.0
        groups.add(group)
        self._recorder.event(
            SENT, f"group/{number}", by, number=number, size=size, strength=strength.value,
            note=note, exclude=sorted(exclude),
        )  # fmt: skip
        result: dict[str, object] = {
            "group": number, "size": size, "strength": strength.value, "note": note,
            "exclude": sorted(exclude),
        }  # fmt: skip
        if early_ms > 1000:
            result["early_s"] = round(early_ms / 1000)
        return result

    def _target(self, number: int, zone: str) -> str | None:
        """The zone meant; None for out of the walk."""
        groups = self._groups
        zones = groups.walk.zones
        if zone == "left":
            return None
        if zone in zones:
            return zone
        if zone not in ("on", "back"):
            known = ", ".join((*zones, "on", "back", "left"))
            raise BadRequest(f"there is no zone {zone[:40]!r}", f"Known are {known}.")
        if number not in groups.where:
            groups.look()
        at = zones.index(groups.where[number].zone) + (1 if zone == "on" else -1)
        return None if at >= len(zones) else zones[max(0, at)]
