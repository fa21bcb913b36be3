"""The engine's core: `(event, now)` in, effects out. No input, no output, no clock, no thread.

Commits of the ledger are events like bytes from a line. Everything that is random comes from the
generator that it is given, so a whole night can be run again.
"""

from __future__ import annotations

from functools import partial
from random import Random

from console.engine import events
from console.engine.air import Air
from console.engine.clock import Now
from console.engine.compile import setup_of
from console.engine.effects import Effect, End, Remember
from console.engine.groupmemory import record as groups_record
from console.engine.groups import Groups
from console.engine.lines import Keeper, Ports
from console.engine.losing import grouped
from console.engine.nights import Nights
from console.engine.opening import OpeningCheck
from console.engine.recording import Recorder
from console.engine.requests import Requests
from console.engine.stopping import Stopping
from console.engine.supervisor import Supervisor
from console.engine.viewing import Viewing
from console.engine.wear import Wear
from console.engine.world import ControllerNow, Memory, World
from console.rules.alarms import Kind
from console.site.models import Site
from console.views.models import Entity, LinkState
from drivers.line import Line
from drivers.messages import BoardReport, Disarm, EventRecord, PropReport
from drivers.reports import Heard
from drivers.session import Session

TICK_MS = 250.0
"""Ages and alarms are looked at this often."""
LOST_AFTER_MS = 500.0
"""Losses are judged together once they are this old."""
NEVER_SEEN_MS = 6000.0
_FREQUENT = (events.BytesCame, events.Tick, events.Written)
_ROUNDS = 3
"""How often lines are served for one event; what is left then is due at once."""
ENDING_MS = 700.0
CLOCK_JUMP_MS = 2000.0


class Core:
    """One site's engine."""

    def __init__(
        self,
        site: Site,
        memory: Memory,
        start: Now,
        *,
        random: Random,
        site_file: str = "",
        mark: str = "",
        auto: bool = False,
    ) -> None:
        """`site` is compiled: numbers and steps filled in. `mark` is empty for the real thing."""
        self.world = world = World(site, memory, start, random)
        lines: dict[str, Line] = {}
        self._due: dict[str, float] = {}
        """When each line has something to do, in monotonic ms."""
        for site_line in site.lines:
            sessions = []
            for controller in site.controllers_of_line(site_line.name):
                session = Session(
                    controller.board_id,
                    controller.address,
                    setup_of(site, controller),
                    shared=controller.shared,
                    new_id=world.new_id,
                    on_asked=partial(self._wake, site_line.name),
                )
                session.latched_stop = world.latch.id if world.latch.latched else 0
                sessions.append(session)
                world.controllers[controller.name] = ControllerNow(controller, session)
            lines[site_line.name] = Line(sessions)
        self.ports = Ports(world, {n: line for n, line in lines.items() if line.sessions})
        self.recorder = Recorder(world)
        self.air = Air(world, self.recorder)
        self.wear = Wear(world, self.recorder, self.air)
        self.stopping = Stopping(world, self.recorder, self.ports)
        self.nights = Nights(
            world,
            self.recorder,
            self.stopping.stop_all,
            self._disarm_all,
            auto=auto,
            before_closing=self.wear.write,
        )
        self.groups = Groups(world, self.recorder, self.air, random, memory.past)
        self.opening = OpeningCheck(world, self.recorder, self.air, self.groups)
        self.requests = Requests(
            world, self.recorder, self.stopping, self.nights, self.groups, self.opening
        )
        self.viewing = Viewing(
            world, self.recorder, self.stopping, self.ports, self.groups, site_file, mark=mark
        )
        self.supervisors = {
            name: Supervisor(
                world, at, self.recorder, self.ports, self.stopping.stop_all,
                self.stopping.confirmed,
            )
            for name, at in world.controllers.items()
        }  # fmt: skip
        self._by_session = {id(at.session): name for name, at in world.controllers.items()}
        self._next_tick_ms = start.mono_ms
        self._skew_ns = start.wall_ns - round(start.mono_ms * 1e6)
        self._losses: set[tuple[Kind, str]] = set()
        self._end_ms = 0.0
        self._remembered: dict[str, object] = dict(memory.show)
        self._state: tuple[object, ...] = ()
        self._recall()
        self.recorder.event(
            "engine-started", "site", latched=world.latch.latched, site_file=site_file
        )

    def handle(self, event: events.Event, now: Now) -> list[Effect]:
        """Take one event; what is to be done comes back in order."""
        world = self.world
        world.now = now
        self._take(event)
        ticked = now.mono_ms >= self._next_tick_ms
        if ticked:
            self._next_tick_ms = now.mono_ms + TICK_MS
            self._slow_tick()
        # What comes all the time on a site of many lines leads to no look at all of them.
        if ticked or not isinstance(event, _FREQUENT):
            self.ports.tick()
        self.stopping.tick()
        self._serve_lines()
        for key in world.alarms.take_changed():
            world.touch(f"alarm/{key}")
        for alarm in world.alarms.take_raised():
            self.recorder.event("alarm", alarm.id, text=alarm.text, priority=alarm.priority.value)
        if world.ending and now.mono_ms >= self._end_ms and self._end_ms:
            self._end_ms = 0.0
            world.emit(End(world.ending))
        self._remember()
        effects, world.effects = world.effects, []
        return effects

    def next_deadline(self) -> float:
        """When `handle` wants a Tick at the latest, in monotonic ms."""
        return min((self._next_tick_ms, *self._due.values()))

    def view(self, key: str) -> Entity | None:
        """The entity of a key as it is now."""
        if key == "opening":
            return self.opening.view()
        return self.air.view() if key == "air" else self.viewing.view(key)

    def keys(self) -> list[str]:
        """The keys of a whole snapshot."""
        air = ["air"] if self.air.view() is not None else []
        return [*self.viewing.keys(), "opening", *air]

    def take_dirty(self) -> set[str]:
        """Keys whose views changed since the last call."""
        dirty, self.world.dirty = self.world.dirty, set()
        return dirty

    # --- inside -------------------------------------------------------------------------------

    def _take(self, event: events.Event) -> None:
        world = self.world
        match event:
            case events.BytesCame(line, data):
                self._wake(line)
                self.ports.keepers[line].line.receive(data, world.now.mono_ms)
            case events.StopAsked(source, by, sent_ms, answer_to):
                self.stopping.stop_all(source, by, sent_ms=sent_ms, answer_to=answer_to)
                self.opening.stop_asked(source)
            case events.Asked(client, request, action, args):
                self.requests.ask(client, request, action, args)
            case events.Written(result):
                self.recorder.written(result)
            case events.PortOpened(line, device):
                self.ports.keepers[line].opened(device)
            case events.PortFailed(line, _, message, held):
                self.ports.keepers[line].failed(message, held=held)
            case events.PortClosed(line, message):
                self.ports.keepers[line].closed(message)
            case events.PortsListed(ports):
                self.ports.known = ports
            case events.ClientCame(client, kind, name):
                self.nights.came(client, kind, name)
            case events.ClientLeft(client):
                self.nights.left(client)
                self.stopping.left(client)
            case events.LatchSaved(trouble):
                self.stopping.saved(trouble)
            case events.UpkeepLooked(due, slowing):
                self.wear.looked(due, slowing)
            case events.Ending(why):
                self._end(why)
            case events.Tick():
                pass

    def _wake(self, line: str) -> None:
        """This line has something to do now."""
        self._due[line] = 0.0

    def _serve_lines(self) -> None:
        """Let the lines speak that have something to say, or were asked by what others said."""
        now_ms = self.world.now.mono_ms
        for _ in range(_ROUNDS):
            due = [name for name, at_ms in self._due.items() if at_ms <= now_ms]
            if not due:
                return
            for name in due:
                self._serve_line(self.ports.keepers[name], now_ms)

    def _serve_line(self, keeper: Keeper, now_ms: float) -> None:
        if keeper.is_open:
            keeper.line.tick(now_ms)
        self._reports_of(keeper.line)
        keeper.pump()
        next_ms = keeper.line.next_deadline() if keeper.is_open else float("inf")
        self._due[keeper.site_line.name] = next_ms

    def _reports_of(self, line: Line) -> None:
        # A report may make another session speak; nothing is left for the next event.
        while reports := line.take_reports():
            for session, report in reports:
                name = self._by_session[id(session)]
                self.supervisors[name].take(report)
                if not isinstance(report, Heard):
                    continue
                match report.message:
                    case BoardReport():
                        self.air.outputs(name, report.message.outputs)
                        self.opening.board_said(name)
                    case PropReport():
                        self.groups.reported(self.world.controllers[name], report.message)
                    case EventRecord():
                        self.groups.missed(self.world.controllers[name], report.message)

    def _slow_tick(self) -> None:
        world = self.world
        self.nights.tick()
        self.requests.tagging.tick()
        self.requests.overriding.tick()
        self.requests.notebook.tick()
        self.opening.tick()
        for supervisor in self.supervisors.values():
            supervisor.tick()
            supervisor.lamp(self.nights.unwatched)
        for prop in world.props.values():
            shown = world.state_of(prop)
            if shown is not prop.shown:
                prop.shown, prop.since_wall_ns = shown, world.now.wall_ns
                world.touch(f"prop/{prop.name}", "site")
        self.air.tick()
        self.wear.tick()
        self.groups.tick()
        self._judge_losses()
        self._judge_clock()
        world.alarms.tick(world.now.mono_ms, world.now.wall_ns)
        world.touch(*(f"controller/{name}" for name in world.controllers))

    def _judge_losses(self) -> None:
        world = self.world
        now_ms = world.now.mono_ms
        lost = {
            name: at.lost_ms
            for name, at in world.controllers.items()
            if at.lost_ms is not None
            and now_ms - at.lost_ms >= (LOST_AFTER_MS if at.was_live else 0)
            and (at.was_live or now_ms - world.started.mono_ms >= NEVER_SEEN_MS)
            and at.link not in (LinkState.DIFFERS, LinkState.UPLOADING)
        }
        alarms = grouped(world.site, lost)
        for kind, subject in self._losses - set(alarms):
            world.alarms.end(kind, subject)
        for (kind, subject), text in alarms.items():
            world.raise_alarm(kind, subject, text)
        self._losses = set(alarms)

    def _judge_clock(self) -> None:
        world = self.world
        skew = world.now.wall_ns - round(world.now.mono_ms * 1e6)
        jumped_ms = (skew - self._skew_ns) / 1e6
        self._skew_ns = skew
        if abs(jumped_ms) >= CLOCK_JUMP_MS:
            self.recorder.event("clock-jump", "site", by_ms=round(jumped_ms))
            text = f"the computer's clock was set by {jumped_ms / 1000:+.1f} s"
            world.raise_alarm(Kind.CLOCK_JUMP, "site", text)

    def _disarm_all(self) -> None:
        """Disarm every board, keeping in mind what was armed."""
        for at in self.world.controllers.values():
            at.session.ask(None, Disarm, 0)

    def _end(self, why: str) -> None:
        world = self.world
        if world.ending:
            return
        world.ending = why
        self._end_ms = world.now.mono_ms + ENDING_MS
        self._disarm_all()
        self.wear.write()
        self.recorder.event("engine-ended", "site", why=why)

    def _recall(self) -> None:
        """Take up what the last engine of this site left."""
        world, show = self.world, self.world.memory.show
        for name, counts in world.memory.tonight.items():
            if name in world.props:
                world.props[name].cycles_tonight, world.props[name].missed_tonight = counts
        for name, cycles in world.memory.last_cycles.items():
            if name in world.props and cycles:
                known = world.props[name]
                known.last_cycles.extend(cycles)
                known.last_trigger = cycles[0].trigger
                known.last_trigger_wall_ns = cycles[0].started_wall_ns
        incidents, paused = show.get("incidents"), show.get("paused")
        if isinstance(incidents, list):
            world.incidents = {n for n in incidents if n in world.props}
        if isinstance(paused, list):
            world.paused = tuple(n for n in paused if n in world.props)
        armed = show.get("armed")
        if isinstance(armed, list):
            world.armed_before = {n: None for n in armed if n in world.props}
        hand_only = show.get("hand_only")
        if isinstance(hand_only, list):
            for name in hand_only:
                if name in world.props:
                    world.props[name].hand_only = True
        chosen = show.get("sequences")
        if isinstance(chosen, dict):
            for name, sequence in chosen.items():
                prop = world.props.get(name)
                found = prop and [s for s in prop.prop.sequences if s.name == sequence]
                if prop and found:
                    prop.wanted = found[0].number

    def _remember(self) -> None:
        world = self.world
        state = (
            tuple(world.armed_before),
            frozenset(world.incidents),
            world.paused,
            tuple((p.wanted, p.hand_only) for p in world.props.values()),
            self.groups.revision,
        )
        if state == self._state:
            return
        self._state = state
        record: dict[str, object] = {
            "armed": list(world.armed_before),
            "hand_only": [p.name for p in world.props.values() if p.hand_only],
            "sequences": {p.name: p.sequence_name(p.wanted) for p in world.props.values()},
            "groups": groups_record(self.groups),
            "incidents": sorted(world.incidents),
            "paused": None if world.paused is None else list(world.paused),
        }
        if record != self._remembered:
            self._remembered = record
            world.emit(Remember(record))
