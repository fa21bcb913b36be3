"""The views: one entity for each key, built when somebody is to see it."""

from __future__ import annotations

from console.actions import BY_ID
from console.engine.groups import Groups
from console.engine.groupviews import group_of, prop_fields
from console.engine.lines import Ports
from console.engine.recording import Recorder
from console.engine.stopping import Stopping
from console.engine.world import ControllerNow, PropNow, World
from console.rules.permits import refusals
from console.rules.propstate import flags_of
from console.rules.rearm import caution, offered
from console.site.models import Sequence
from console.views.models import (
    ControllerView,
    Entity,
    PointView,
    PropFlag,
    PropState,
    PropView,
    SequenceView,
    SiteView,
    ZoneView,
)


class Viewing:
    """Builds what consoles see."""

    def __init__(
        self,
        world: World,
        recorder: Recorder,
        stopping: Stopping,
        ports: Ports,
        groups: Groups,
        site_file: str,
        *,
        mark: str,
    ) -> None:
        self._world = world
        self._recorder = recorder
        self._stopping = stopping
        self._ports = ports
        self._groups = groups
        self._site_file = site_file
        self._mark = mark
        self._sequences = {
            name: tuple(_sequence(prop, s) for s in prop.prop.sequences)
            for name, prop in world.props.items()
        }

    def keys(self) -> list[str]:
        """Every key there is now."""
        world = self._world
        return [
            "site",
            "stop",
            *(f"zone/{z.name}" for z in world.site.zones),
            *(f"controller/{name}" for name in world.controllers),
            *(f"prop/{name}" for name in world.props),
            *(f"alarm/{a.id}" for a in world.alarms.standing()),
            "headway",
            "crowd",
            *(f"group/{number}" for number in self._groups.within),
        ]

    def view(self, key: str) -> Entity | None:
        """The entity of a key; None where there is none any more."""
        kind, _, name = key.partition("/")
        world = self._world
        if kind == "site":
            return self._site()
        if kind == "stop":
            return self._stopping.view()
        if kind == "alarm":
            return world.alarms.get(name)
        if kind in ("group", "headway", "crowd"):
            return group_of(self._groups, key)
        if kind == "prop" and name in world.props:
            return self._prop(world.props[name])
        if kind == "controller" and name in world.controllers:
            return self._controller(world.controllers[name])
        if kind == "zone":
            for order, zone in enumerate(world.site.zones):
                if zone.name == name:
                    return ZoneView(zone.name, zone.title, order)
        return None

    def _site(self) -> SiteView:
        world = self._world
        night = world.night
        offer: tuple[str, ...] = ()
        if not world.latch.latched and world.paused is None:
            facts = {name: world.facts(world.props[name]) for name in world.armed_before}
            offer = offered(world.armed_before, facts, {})
        return SiteView(
            name=world.site.name,
            file=self._site_file,
            demo=bool(self._mark),
            mark=self._mark,
            night=night.night_id if night else None,
            night_opened_wall_ns=night.opened_wall_ns if night else 0,
            night_opened_by=night.by if night else "",
            engine_started_wall_ns=world.started.wall_ns,
            consoles=len(world.consoles),
            ledger_trouble=self._recorder.trouble,
            cycles_boards_can_hold=self._can_hold() if self._recorder.trouble else None,
            rearm=offer,
            paused=world.paused is not None,
            rearm_caution=caution(
                offer,
                {
                    name: any(m.moves_when_air_returns for m in p.prop.motions)
                    for name, p in world.props.items()
                },
                {name: p.prop.title for name, p in world.props.items()},
            ),
        )

    def _can_hold(self) -> int:
        """How many more cycles the prop that has least room can keep."""
        rooms = []
        for prop in self._world.props.values():
            at = self._world.controller_of(prop)
            if at.session.identity is not None and prop.report is not None:
                held = prop.report.number - prop.report.oldest + 1 if prop.report.oldest else 0
                rooms.append(max(0, at.session.identity.records - held))
        return min(rooms, default=0)

    def _controller(self, at: ControllerNow) -> ControllerView:
        session, report = at.session, at.report
        identity = session.identity
        heard = session.last_heard_ms
        keeper = self._ports.keepers[at.controller.line]
        return ControllerView(
            name=at.name,
            where=at.controller.where,
            line=at.controller.line,
            port=keeper.device if keeper.is_open else "",
            link=at.link,
            board=identity.board if identity else "",
            firmware=identity.firmware if identity else "",
            quality=session.quality if at.heard_of else 0.0,
            round_trip_ms=round(session.round_trip_ms, 2),
            damaged_frames=keeper.line.damaged_frames,
            last_heard_wall_ns=self._world.now.wall_of(heard) if heard is not None else 0,
            supply_mv=report.supply_mv if report else 0,
            pressure_mv=report.pressure_mv if report else 0,
            stop_input_open=at.stop_input_open,
            message=at.message,
        )

    def _prop(self, prop: PropNow) -> PropView:
        world = self._world
        at = world.controller_of(prop)
        facts = world.facts(prop)
        report = prop.report
        selected = report.selected if report else prop.wanted
        running = report.running if report and facts.state is PropState.RUNNING else 0
        active = running if running and prop.sequence_name(running) else selected
        asked = prop.wanted if prop.wanted != active else 0
        return PropView(
            name=prop.name,
            title=prop.prop.title,
            zone=prop.prop.zone,
            where=prop.prop.where or at.controller.where,
            controller=at.name,
            order=prop.order,
            state=facts.state,
            flags=self._flags(prop, low_air=facts.pressure_psi is not None
                              and facts.pressure_psi < facts.needed_psi),
            asked=prop.asked,
            sequence=prop.sequence_name(active),
            asked_sequence=prop.sequence_name(asked) if asked else "",
            running_sequence=prop.sequence_name(running) if running else "",
            state_since_wall_ns=prop.since_wall_ns,
            cycles_tonight=prop.cycles_tonight,
            cycles_life=self._recorder.cycles_of(prop),
            missed_tonight=prop.missed_tonight,
            last_trigger_wall_ns=prop.last_trigger_wall_ns,
            last_trigger=prop.last_trigger,
            link_quality=at.session.quality if at.heard_of else 0.0,
            sequences=self._sequences[prop.name],
            points=self._points(prop, at),
            last_cycles=tuple(prop.last_cycles),
            arm_refusals=refusals(BY_ID["arm"].permits, facts),
            fire_refusals=refusals(BY_ID["fire"].permits, facts),
            tags=facts.tags,
            overrides=tuple(
                f"{check} (by {by})" for check, by in world.overrides.get(prop.name, {}).items()
            ),
            fault=prop.fault,
            **prop_fields(self._groups, prop),
        )  # fmt: skip

    def _flags(self, prop: PropNow, *, low_air: bool) -> tuple[PropFlag, ...]:
        at = self._world.controller_of(prop)
        word = self._world.word_of(prop) if at.heard_of else None
        return flags_of(
            at.link, word, tagged=bool(self._world.tags.on(prop.name)),
            hand_only=prop.is_hand_only, low_air=low_air,
            service_due=prop.service_due, slowing=prop.slowing,
            unchecked=not self._world.is_checked(prop.name),
        )  # fmt: skip

    def _points(self, prop: PropNow, at: ControllerNow) -> tuple[PointView, ...]:
        outputs = at.report.outputs if at.report else 0
        inputs = at.report.inputs if at.report else 0
        points = [
            PointView(
                c.name, c.kind.value, bool(outputs >> (c.output - 1) & 1),
                prop.strokes.get(c.output),
            )
            for c in prop.prop.channels
        ]  # fmt: skip
        points += [
            PointView(t.source.value, t.kind.value if t.kind else "button",
                      bool(inputs >> (t.input - 1) & 1))
            for t in prop.prop.triggers
            if t.input is not None
        ]  # fmt: skip
        for motion in prop.prop.motions:
            for name, end in (("out", motion.end_sensor.out), ("home", motion.end_sensor.home)):
                if end is not None:
                    on = bool(inputs >> (end.input - 1) & 1)
                    points.append(PointView(f"{motion.name} {name}", "end sensor", on))
        if (area := prop.prop.clear_area_input) is not None:
            points.append(PointView("area clear", "area", bool(inputs >> (area - 1) & 1)))
        return tuple(points)


def _sequence(prop: PropNow, sequence: Sequence) -> SequenceView:
    return SequenceView(
        sequence.name,
        sequence.strength.value,
        sequence.length_ms,
        tuple((s.at_ms, prop.prop.output_name(s.output), s.on) for s in sequence.steps),
    )
