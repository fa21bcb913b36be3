"""Groups in the running night: what boards report goes to the follower, what it says to the props.

The rules are in `console.rules.groups`; here they meet requests, boards, ledger and views.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from random import Random
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from console.engine.air import Air
from console.engine.groupbook import ENTRANCE, LEFT, Past, book_of, spans_from
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
        self._disarmed: set[str] = set()
        self._events: dict[str, tuple[int, int]] = {}
        recall(self, world.memory.show.get("groups"))
        self.where = {w.number: w for w in self.follower.where(world.now.mono_ms)}

    # --- what operators do --------------------------------------------------------------------

    _disarm: Disarmer

    def disarms_with(self, disarm: Disarmer) -> None:
        """How a prop is disarmed."""
        self._disarm = disarm

    def add(self, group: Group) -> None:
        """A group goes in now."""
        world = self.world
        self.within[group.number] = group
        self.tonight.append(group)
        self.last, self.last_wall_ns = group, world.now.wall_ns
        self.follower.send(group.number, group.size, world.now.mono_ms)
        self.book.sent(group.size, world.now.wall_ns)
        self.revision += 1
        self.rate = None
        self.look()
        self.touch()

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
            self._noticed(prop.name, began_ms)
        self.decide((prop.name,))

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
            self._noticed(prop.name, at_ms)

    def _noticed(self, prop: str, at_ms: float) -> None:
        self.follower.trigger(prop, at_ms)
        if self.within:
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
        self.decide(tuple(names[self._turn * many : (self._turn + 1) * many]))
        # One thing at a tick: together they would hold up what a line wants to say.
        self._looks[self._turn]()
        self._turn = (self._turn + 1) % len(self._looks)

    def look(self) -> None:
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
        self.gone(self.follower.tick(self.world.now.mono_ms))

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

    def decide(self, names: tuple[str, ...]) -> None:
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
        if prop.name in self._disarmed:
            self._disarmed.remove(prop.name)
            world.alarms.end(Kind.TOO_STRONG, prop.name)
        if prop.wanted == number:
            return
        prop.wanted = number
        world.touch(f"prop/{prop.name}")
        at = world.controller_of(prop)
        if at.link is LinkState.LIVE and not at.session.asks(Select, prop.prop.index, number):
            at.session.ask((Asked.NOTHING, prop.name), Select, prop.prop.index, number)

    def _cannot_stay_quiet(self, prop: PropNow) -> None:
        """Disarm it, once: an operator who arms it again after that has seen why."""
        if prop.name in self._disarmed:
            return
        self._disarmed.add(prop.name)
        text = f"{prop.prop.title} has nothing mild enough and no room to stay quiet"
        if self.world.state_of(prop) in ARMED_STATES and prop.asked is not Asked.DISARM:
            self._disarm(prop)
        self.world.raise_alarm(Kind.TOO_STRONG, prop.name, f"{text}: it was disarmed")

    # --- inside -------------------------------------------------------------------------------

    def gone(self, left: list[Left]) -> None:
        """These groups are out; what their walk taught goes into the ledger."""
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

    def _new_night(self) -> None:
        """Numbers and counts begin anew; who is in the walk stays followed."""
        self.book = type(self.book)()
        if not self.within:
            self.last = None
        self.tonight = list(self.within.values())
        self.revision += 1
        self.touch()

    def _limits(self) -> Limits:
        local = dt.datetime.fromtimestamp(self.world.now.wall_ns / 1e9, self._zone)
        return limits_at(self.world.site, local.time())

    def touch(self) -> None:
        world = self.world
        world.touch("headway", "crowd", *(f"group/{n}" for n in self.within))
        world.touch_all_props()


def _zone_of(name: str | None) -> dt.tzinfo | None:
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None
