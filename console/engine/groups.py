"""Groups in the running night: what boards report goes to the follower, what it says to the props.

The rules are in `console.rules.groups`; here they meet requests, boards, ledger and views.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from random import Random
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from console.engine.air import Air
from console.engine.badrequest import BadRequest, text_of
from console.engine.groupargs import size_of, strength_of, words_of
from console.engine.groupbook import ENTRANCE, LEFT, SENT, Past, book_of, spans_from
from console.engine.groupmemory import recall
from console.engine.pauses import pause_numbers
from console.engine.recording import Recorder
from console.engine.world import ARMED_STATES, ControllerNow, PropNow, World
from console.rules.airuse import sequence_scf
from console.rules.alarms import Kind
from console.rules.groups.choice import Choices, Limits, limits_at
from console.rules.groups.follower import Follower, Left, Where
from console.rules.groups.group import Group
from console.rules.groups.headway import Headway, Rate, Ready
from console.rules.groups.steering import Decision, Steering
from console.rules.groups.walk import walk_of
from console.site.kinds import Strength
from console.views.models import Asked, LinkState
from drivers.messages import EventRecord, PropReport, Select
from drivers.words import EventKind, PropFlags, State

RATE_MS = 5000.0
BY_HAND_MS = 2500.0
"""A cycle that begins this soon after it was asked for was started by an operator."""
NEW_RUN_MS = 400.0
OLD_MS = 60_000.0
Result = Mapping[str, object]
Disarmer = Callable[[PropNow], None]


class Groups:
    """The groups of one engine."""

    def __init__(
        self, world: World, recorder: Recorder, air: Air, random: Random, past: Past
    ) -> None:
        self.world = world
        self._recorder = recorder
        self._air = air
        self._scf: dict[Group, float] = {}
        site = world.site
        self.walk = walk_of(site)
        night = world.night.night_id if world.night else None
        self.follower = Follower(self.walk, spans_from(self.walk, past.left, night))
        self._choices = Choices(site.props)
        self._steering = Steering(site, self.follower, self._choices, random)
        self._headway = Headway(site, self.follower, self._choices)
        self._zone = _zone_of(site.timezone)
        self._pauses = {
            name: number
            for c in site.controllers
            for name, number in pause_numbers(site, c).items()
        }
        for name, number in self._pauses.items():
            world.props[name].pause = number
        self.book = book_of(past)
        self.revision = 0
        """Counts what the next engine of the site must know."""
        self.within: dict[int, Group] = {}
        self.tonight: list[Group] = []
        self.last: Group | None = None
        self.last_wall_ns = 0
        self._night = night
        self.decisions: dict[str, Decision] = {}
        self.where: dict[int, Where] = {}
        self.ready = Ready(0.0)
        self.rate: Rate | None = None
        self._rated_ms = 0.0
        self._looks = (
            self._look_at_service, self._look_who_left, self._look_where, self._look_how_soon,
        )  # fmt: skip
        self._turn = 0
        self._began_ms: dict[str, float] = {}
        self._asked_ms: dict[str, float] = {}
        self._events: dict[str, tuple[int, int]] = {}
        recall(self, world.memory.show.get("groups"))
        self.where = {w.number: w for w in self.follower.where(world.now.mono_ms)}

    # --- what is asked ------------------------------------------------------------------------

    def send(self, args: Mapping[str, object]) -> Result:
        """Send a group as described."""
        return self._send(
            size_of(args.get("size")), strength_of(args.get("strength")),
            str(args.get("note") or "")[:200], words_of(args.get("exclude")),
            str(args.get("by") or "")[:80],
        )  # fmt: skip

    def repeat(self, args: Mapping[str, object]) -> Result:
        """Send a group like the last one; its note was about the other."""
        last = self.last
        if last is None:
            raise BadRequest("no group was sent yet", "Send one with its strength first.")
        by = str(args.get("by") or "")[:80]
        return self._send(last.size, last.strength, "", last.exclude, by)

    def correct(self, args: Mapping[str, object]) -> Result:
        """Put a group where the operator sees it."""
        number = args.get("group")
        if not isinstance(number, int) or number not in self.within:
            known = ", ".join(str(n) for n in self.within) or "none"
            raise BadRequest(f"group {number} is not in the walk", f"In the walk: {known}.")
        now_ms = self.world.now.mono_ms
        to = self._target(number, text_of(args, "zone"))
        if to is None:
            self._gone(self.follower.leave(number, now_ms))
        else:
            self.follower.correct(number, self.walk.before_zone(to), now_ms)
        said = to or "left"
        self._recorder.event("group-corrected", f"group/{number}", str(args.get("by", "")), to=said)
        self._look()
        return {"group": number, "zone": said}

    def quiet_zone(self, args: Mapping[str, object]) -> Result:
        """Nothing but what is quiet in a zone for the group in it; asked again, as before."""
        zone = text_of(args, "zone")
        if zone not in self.walk.zones:
            raise BadRequest(
                f"there is no zone {zone[:40]!r}", f"Known are {', '.join(self.walk.zones)}."
            )
        self._look()
        there = [n for n, where in self.where.items() if zone in where.near]
        if not there:
            raise BadRequest(f"no group is in {zone}", "Correct the group that is there first.")
        on = not all(zone in self.within[n].quiet_zones for n in there)
        for number in there:
            group = self.within[number]
            zones = group.quiet_zones | {zone} if on else group.quiet_zones - {zone}
            self.within[number] = _replaced(group, zones)
        self._recorder.event(
            "zone-quiet", f"zone/{zone}", str(args.get("by", "")), groups=there, on=on
        )
        self.revision += 1
        self._decide(tuple(p.name for p in self.world.site.props_of_zone(zone)))
        self._touch()
        return {"zone": zone, "groups": there, "on": on}

    def release(self, prop: PropNow) -> None:
        """Let groups choose again for a prop that an operator switched."""
        prop.by_hand = False
        self.revision += 1
        self._decide((prop.name,))

    def rain(self, disarm: Disarmer, args: Mapping[str, object]) -> Result:
        """Disarm every prop outdoors."""
        props = [p for p in self.world.props.values() if p.prop.outdoor]
        if not props:
            raise BadRequest("no prop stands outdoors", "The site file says which do: `outdoor`.")
        for prop in props:
            disarm(prop)
        names = [p.name for p in props]
        self._recorder.event("rain", "site", str(args.get("by", "")), props=names)
        self.world.touch("site")
        return {"done": names, "refused": {}}

    def fired(self, prop: PropNow) -> None:
        """An operator has a prop run: the cycle that begins now is no sign of a group."""
        self._asked_ms[prop.name] = self.world.now.mono_ms

    # --- what boards say ----------------------------------------------------------------------

    def reported(self, at: ControllerNow, report: PropReport) -> None:
        """A prop's report: a cycle that has begun is a trigger."""
        prop = self.world.prop_at(at.name, report.prop)
        if prop is None or report.state is not State.RUNNING:
            return
        began_ms = self.world.now.mono_ms - report.elapsed_ms
        if began_ms - self._began_ms.get(prop.name, float("-inf")) < NEW_RUN_MS:
            return
        self._began_ms[prop.name] = began_ms
        self._steering.played(prop.name, prop.sequence_name(report.running))
        asked_ms = self._asked_ms.get(prop.name, float("-inf"))
        by_hand = prop.asked in (Asked.FIRE, Asked.TEST) or began_ms - asked_ms < BY_HAND_MS
        if not by_hand and prop.name in self.walk.props:
            self.follower.trigger(prop.name, began_ms)
            self.revision += 1
        self._decide((prop.name,))

    def missed(self, at: ControllerNow, record: EventRecord) -> None:
        """A trigger that a prop could not follow is a sign of somebody, too."""
        prop = self.world.prop_at(at.name, record.prop) if record.prop else None
        if record.kind is not EventKind.MISSED or prop is None:
            return
        # Boards repeat an event until it is in the ledger.
        boot, number = self._events.get(at.name, (0, 0))
        if boot == record.boot and number >= record.number:
            return
        self._events[at.name] = (record.boot, record.number)
        self.book.missed[prop.name, record.detail] += 1
        self.world.touch("crowd")
        now_ms = self.world.now.mono_ms
        known = at.session.clock.to_mono(record.ms) if record.boot == at.session.boot else None
        at_ms = min(now_ms, known[0]) if known else now_ms
        if now_ms - at_ms < OLD_MS:
            self.follower.trigger(prop.name, at_ms)
            self.revision += 1

    # --- time ---------------------------------------------------------------------------------

    def tick(self) -> None:
        """A quarter of what is to be looked at: each prop and each question once in four ticks."""
        world = self.world
        night = world.night.night_id if world.night else None
        if night != self._night:
            self._night = night
            if night is not None:
                self._new_night()
        names = list(world.props)
        many = -(-len(names) // len(self._looks))
        self._decide(tuple(names[self._turn * many : (self._turn + 1) * many]))
        # One thing at a tick: together they would hold up what a line wants to say.
        self._looks[self._turn]()
        self._turn = (self._turn + 1) % len(self._looks)

    def _look(self) -> None:
        for look in self._looks:
            look()

    def _look_at_service(self) -> None:
        for prop in self.world.props.values():
            at = self.world.controller_of(prop)
            flags = prop.report.flags if prop.report else PropFlags(0)
            # Anybody who passes is reported, also while it is disarmed or resting.
            working = (
                prop.has_sensor
                and at.link is LinkState.LIVE
                and prop.report is not None
                and PropFlags.SENSOR_BLOCKED not in flags
                and PropFlags.WARMING_UP not in flags
            )
            self.follower.in_service(prop.name, working)

    def _look_who_left(self) -> None:
        self._gone(self.follower.tick(self.world.now.mono_ms))

    def _look_where(self) -> None:
        before = self.where
        self.where = {w.number: w for w in self.follower.where(self.world.now.mono_ms)}
        for number in before.keys() | self.where.keys():
            self.world.touch(f"group/{number}")

    def _look_how_soon(self) -> None:
        world, ready = self.world, self.ready
        now_ms = world.now.mono_ms
        resting = {
            p.name: p.reported_ms + p.prop.rest_ms - p.report.elapsed_ms
            for p in world.props.values()
            if p.report is not None and p.report.state is State.RESTING
        }
        limits = self._limits()
        self.ready = self._headway.ready(
            self.last,
            now_ms,
            limits,
            resting_until_ms=resting,
            air_ready_ms=self._air_ready_ms(limits),
        )
        if now_ms - self._rated_ms >= RATE_MS or self.rate is None:
            self._rated_ms = now_ms
            self.rate = self._headway.rate(self.tonight[-20:], limits)
            world.touch("headway", "crowd")
        if self.ready != ready and (self.ready.reason or ready.reason):
            world.touch("headway")

    def _air_ready_ms(self, limits: Limits) -> float | None:
        """When the air carries one more group like the last; None where nobody predicts it."""
        if self.last is None or self._air.ready_in_ms(0.0) is None:
            return None
        like = Group(0, strength=self.last.strength, exclude=self.last.exclude)
        if like not in self._scf:
            offers = [
                (p, self._choices.offer(p.name, like.strength, like.exclude, limits).names)
                for p in self.world.site.props
                if p.motions
            ]
            self._scf[like] = sum(sequence_scf(p, names[0]) for p, names in offers if names)
        left_ms = self._air.ready_in_ms(self._scf[like])
        return None if left_ms is None else self.world.now.mono_ms + left_ms

    def _decide(self, names: tuple[str, ...]) -> None:
        world = self.world
        limits = self._limits()
        for name in names:
            prop = world.props[name]
            decision = self._steering.decide(name, self.within, limits, world.now.mono_ms)
            if decision != self.decisions.get(name):
                self.decisions[name] = decision
                world.touch(f"prop/{name}")
            if not prop.by_hand:
                self._apply(prop, decision)

    def _apply(self, prop: PropNow, decision: Decision) -> None:
        """Choose it for the cycles to come, but never while one is under way."""
        world = self.world
        if prop.report is not None and prop.report.state is State.RUNNING:
            return
        if decision.sequence is not None:
            number = prop.prop.sequence(decision.sequence).number
        elif prop.pause:
            number = prop.pause
        else:
            self._cannot_stay_quiet(prop)
            return
        world.alarms.end(Kind.TOO_STRONG, prop.name)
        if prop.wanted == number:
            return
        prop.wanted = number
        world.touch(f"prop/{prop.name}")
        at = world.controller_of(prop)
        if at.link is LinkState.LIVE and not at.session.asks(Select, prop.prop.index, number):
            at.session.ask((Asked.NOTHING, prop.name), Select, prop.prop.index, number)

    def _cannot_stay_quiet(self, prop: PropNow) -> None:
        text = f"{prop.prop.title} has nothing mild enough and no room to stay quiet"
        if self.world.state_of(prop) in ARMED_STATES and prop.asked is not Asked.DISARM:
            self._disarm(prop)
        self.world.raise_alarm(Kind.TOO_STRONG, prop.name, f"{text}: it was disarmed")

    _disarm: Disarmer

    def disarms_with(self, disarm: Disarmer) -> None:
        """How a prop is disarmed."""
        self._disarm = disarm

    # --- inside -------------------------------------------------------------------------------

    def _send(
        self, size: int, strength: Strength, note: str, exclude: frozenset[str], by: str
    ) -> Result:
        world = self.world
        number = (self.last.number if self.last else 0) + 1
        group = Group(number, size, strength, note, exclude, by=by)
        early_ms = self.ready.at_ms - world.now.mono_ms if self.ready.reason else 0.0
        self.within[number] = group
        self.tonight.append(group)
        self.last, self.last_wall_ns = group, world.now.wall_ns
        self.follower.send(number, size, world.now.mono_ms)
        self.book.sent(size, world.now.wall_ns)
        self._recorder.event(
            SENT, f"group/{number}", by, number=number, size=size, strength=strength.value,
            note=note, exclude=sorted(exclude),
        )  # fmt: skip
        self.revision += 1
        self.rate = None
        self._look()
        self._touch()
        result: dict[str, object] = {
            "group": number, "size": size, "strength": strength.value, "note": note,
            "exclude": sorted(exclude),
        }  # fmt: skip
        if early_ms > 1000:
            result["early_s"] = round(early_ms / 1000)
        return result

    def _gone(self, left: list[Left]) -> None:
        for one in left:
            group = self.within.pop(one.number)
            through_ms = one.left_ms - one.sent_ms
            self.book.left(through_ms)
            noticed = [
                [self.walk.props[at] if at >= 0 else ENTRANCE, round(ms - one.sent_ms)]
                for at, ms in one.noticed
            ]
            self._recorder.event(
                LEFT, f"group/{one.number}", number=one.number, size=group.size,
                through_ms=round(through_ms), noticed=noticed,
            )  # fmt: skip
            self.world.touch(f"group/{one.number}", "crowd")
            self.revision += 1

    def _target(self, number: int, zone: str) -> str | None:
        """The zone meant; None for out of the walk."""
        zones = self.walk.zones
        if zone == "left":
            return None
        if zone in zones:
            return zone
        if zone not in ("on", "back"):
            known = ", ".join((*zones, "on", "back", "left"))
            raise BadRequest(f"there is no zone {zone[:40]!r}", f"Known are {known}.")
        if number not in self.where:
            self._look()
        at = zones.index(self.where[number].zone) + (1 if zone == "on" else -1)
        return None if at >= len(zones) else zones[max(0, at)]

    def _new_night(self) -> None:
        """Numbers and counts begin anew; who is in the walk stays followed."""
        self.book = type(self.book)()
        if not self.within:
            self.last = None
        self.tonight = list(self.within.values())
        self.revision += 1
        self._touch()

    def _limits(self) -> Limits:
        local = dt.datetime.fromtimestamp(self.world.now.wall_ns / 1e9, self._zone)
        return limits_at(self.world.site, local.time())

    def _touch(self) -> None:
        world = self.world
        world.touch("headway", "crowd", *(f"group/{n}" for n in self.within))
        world.touch_all_props()


def _zone_of(name: str | None) -> dt.tzinfo | None:
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def _replaced(group: Group, quiet_zones: frozenset[str]) -> Group:
    return Group(
        group.number, group.size, group.strength, group.note, group.exclude, quiet_zones, group.by
    )
