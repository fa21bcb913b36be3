"""One controller: what its session says and what follows. Every supervisor stands alone."""

from __future__ import annotations

from collections.abc import Callable

from console.engine.lines import POOR_QUALITY, Keeper, Ports
from console.engine.recording import Recorder
from console.engine.world import ARMED_STATES, ControllerNow, PropNow, StopAll, World
from console.rules.alarms import Kind
from console.rules.remedies import REASONS
from console.views.models import Asked, LinkState, PropState
from drivers.messages import (
    BoardReport,
    Boot,
    Clear,
    CycleRecord,
    EventRecord,
    Hex32,
    Identity,
    Lamp,
    Meters,
    PropReport,
    Select,
)
from drivers.reports import (
    Ending,
    Foreign,
    Heard,
    Opened,
    Phase,
    PhaseChanged,
    Reply,
    SessionReport,
    StopAnswered,
    Stranger,
    UploadFailed,
)
from drivers.words import EventKind, State

METERS_MS = 60_000.0
KEPT_FRAMES = 12
RESET_BY_OPENING_MS = 8000.0
"""A board that boots this soon after its port was opened was reset by that: no fault."""

_LINKS = {
    Phase.GREETING: LinkState.GREETING,
    Phase.OPENING: LinkState.GREETING,
    Phase.UPLOADING: LinkState.UPLOADING,
    Phase.DIFFERS: LinkState.DIFFERS,
    Phase.LIVE: LinkState.LIVE,
}

PropRef = tuple[Asked, str]
"""Under which a request about a prop is asked: what was asked, and the prop's name."""


class Supervisor:
    """Follows one controller's session."""

    def __init__(
        self,
        world: World,
        at: ControllerNow,
        recorder: Recorder,
        ports: Ports,
        stop_all: StopAll,
        confirmed: Callable[[str], None],
    ) -> None:
        self.at = at
        self._world = world
        self._recorder = recorder
        self._ports = ports
        self._stop_all = stop_all
        self._confirmed = confirmed
        at.session.may_replace = self._may_replace
        self._last_boot = 0
        self._opened_ms = 0.0
        self._meters_ms = 0.0
        self._lamp: int | None = None

    def take(self, report: SessionReport) -> None:
        """Follow one report of the session."""
        at, world = self.at, self._world
        world.touch_controller(at.name)
        match report:
            case PhaseChanged(phase, message):
                self._phase(phase, message)
            case Opened(identity, stop):
                self._opened(identity, stop)
            case Stranger(identity):
                at.message = f"board {identity.board} answers on its port"
                world.raise_alarm(Kind.WRONG_BOARD, at.name, f"{at.name}: {at.message}")
                self._ports.stranger(self._keeper, identity.board)
            case Foreign(identity):
                at.message = f"firmware {identity.firmware} speaks another version"
                world.raise_alarm(Kind.FOREIGN, at.name, f"{at.name}: {at.message}")
            case StopAnswered(stop):
                self._is_stopped(True)
                if world.latch.latched and stop == world.latch.id:
                    self._confirmed(at.name)
            case UploadFailed(message):
                at.message = message
                world.raise_alarm(Kind.UPLOAD_FAILED, at.name, f"{at.name}: {message}")
            case Heard(message):
                self._heard(message)
            case Reply():
                self._replied(report)

    def tick(self) -> None:
        """Let time pass: clocks, meters, alarm light, link quality."""
        at, world = self.at, self._world
        if not at.heard_of:
            self._lamp = None
            return
        self._recorder.map_clock(at)
        now_ms = world.now.mono_ms
        if at.link is LinkState.LIVE and now_ms - self._meters_ms >= METERS_MS:
            self.read_meters()
        if at.session.quality < POOR_QUALITY:
            share = f"{at.session.quality:.0%}"
            world.raise_alarm(Kind.POOR_LINK, at.name, f"{at.name} answers {share} of the polls")
        elif at.session.quality > (1 + POOR_QUALITY) / 2:
            world.alarms.end(Kind.POOR_LINK, at.name)

    def read_meters(self) -> None:
        """Ask for the strokes of every output."""
        self._meters_ms = self._world.now.mono_ms
        outputs = [o.number for o in self.at.session.setup.outputs]
        for first in range(1, max(outputs, default=0) + 1, 8):
            self.at.session.ask(("meters", first), Meters, first)

    def lamp(self, on: bool) -> None:
        """Have the alarm light on or off, where one is fitted."""
        at = self.at
        if at.controller.alarm_light and at.heard_of and self._lamp != int(on):
            self._lamp = int(on)
            at.session.ask(None, Lamp, int(on))

    def _may_replace(self) -> bool:
        asking = self._world.night is not None and self._world.site.rules.ask_before_upload
        return not asking or self.at.upload_asked

    # --- phases -------------------------------------------------------------------------------

    def _phase(self, phase: Phase, message: str) -> None:
        at, world = self.at, self._world
        before = at.link
        at.link = _LINKS[phase]
        if message:
            at.message = message
        if phase is Phase.GREETING:
            if before in (LinkState.LIVE, LinkState.DIFFERS, LinkState.UPLOADING):
                self._lost(message)
            if not self._keeper.is_open:
                at.link = LinkState.ABSENT
            elif at.was_live:
                at.link = LinkState.LOST
        elif phase is Phase.DIFFERS:
            at.message = "holds another setup than the site file"
            world.raise_alarm(Kind.DIFFERS, at.name, f"{at.name} {at.message}")
        elif phase is Phase.LIVE:
            self._live()
        world.touch("site")

    def _live(self) -> None:
        at, world = self.at, self._world
        at.message, at.was_live, at.lost_ms, at.upload_asked = "", True, None, False
        for kind in (Kind.WRONG_BOARD, Kind.FOREIGN, Kind.DIFFERS, Kind.UPLOAD_FAILED):
            world.alarms.end(kind, at.name)
        self._ports.sightings.pop(at.controller.board_id, None)
        self._recorder.event("controller-live", at.name, boot=at.session.boot)
        self._recorder.map_clock(at, now=True)

    def _lost(self, message: str) -> None:
        at, world = self.at, self._world
        running = [p for p in world.props_of(at.name) if p.shown is PropState.RUNNING]
        at.lost_ms = world.now.mono_ms
        at.report = None
        self._lamp = None
        for prop in world.props_of(at.name):
            prop.asked = Asked.NOTHING
            prop.report = None
        world.latch = world.latch.doubt(at.name)
        world.touch("stop")
        # The last words of a link that failed are what its repair begins with.
        frames = [
            f"{ms - world.now.mono_ms:.0f} ms {text}" for ms, text in self._keeper.line.recent
        ]
        self._recorder.event("controller-lost", at.name, why=message, frames=frames[-KEPT_FRAMES:])
        if running and at.name in world.site.rules.stop_when_lost_running:
            self._stop_all(f"{at.name} was lost while {running[0].prop.title} ran", "")

    def _opened(self, identity: Identity, stop: int) -> None:
        at, world = self.at, self._world
        at.link = LinkState.UPLOADING
        if self._last_boot and identity.boot != self._last_boot:
            self._was_reset(identity.boot)
        self._last_boot, at.boot_cause = identity.boot, ""
        self._is_stopped(bool(stop))
        self._opened_ms = world.now.mono_ms
        if world.latch.latched and stop == world.latch.id:
            self._confirmed(at.name)
        elif stop and not world.latch.latched:
            self._stays_stopped(stop)

    def _was_reset(self, boot: int) -> None:
        at, world = self.at, self._world
        cause = at.boot_cause or "unknown"
        self._recorder.event("controller-reset", at.name, cause=cause, boot=boot)
        by_opening = world.now.mono_ms - self._keeper.opened_ms < RESET_BY_OPENING_MS
        if world.night is not None and not by_opening:
            world.raise_alarm(Kind.RESET, at.name, f"{at.name} was reset ({cause})")

    def _stays_stopped(self, stop: int) -> None:
        """A board is stopped while the engine is not: end a stop that was cleared, or say so."""
        at, world = self.at, self._world
        if stop == world.latch.cleared and at.name not in world.latch.kept_out:
            if not at.session.asks(Clear, Hex32(stop)):
                at.session.ask(("clear", stop), Clear, Hex32(stop))
            return
        if at.stray_stop != stop:
            at.stray_stop = stop
            world.touch("stop")
        left = at.name in world.latch.kept_out
        why = "was left out of the last clear" if left else "saw a stop that nobody here sent"
        world.raise_alarm(Kind.STRAY_STOP, at.name, f"{at.name} {why}, and stays stopped")

    def _is_stopped(self, stopped: bool) -> None:
        at, world = self.at, self._world
        if at.stopped is stopped:
            return
        at.stopped = stopped
        for prop in world.props_of(at.name):
            shown = world.state_of(prop)
            if shown is not prop.shown:
                prop.shown, prop.since_wall_ns = shown, world.now.wall_ns
        world.touch_controller(at.name)

    # --- reports ------------------------------------------------------------------------------

    def _heard(self, message: object) -> None:
        match message:
            case Boot():
                self.at.boot_cause = message.cause.value
            case BoardReport():
                self._board(message)
            case PropReport():
                self._prop(message)
            case CycleRecord():
                self._recorder.cycle(self.at, message)
            case EventRecord():
                self._event(message)
                self._recorder.happening(self.at, message)

    def _board(self, report: BoardReport) -> None:
        at, world = self.at, self._world
        was_open = at.stop_input_open
        at.report = report
        self._is_stopped(bool(report.stop))
        if at.stop_input_open:
            world.raise_alarm(
                Kind.STOP_INPUT, at.name, f"the hardwired stop at {at.controller.where} is open"
            )
            if not was_open:
                world.touch("stop")
                world.touch_all_props()
            if not world.latch.latched or world.latch.hold.value == "clearing":
                self._stop_all(f"hardwired stop at {at.controller.where}", "")
        elif was_open:
            world.alarms.end(Kind.STOP_INPUT, at.name)
            world.touch("stop")
            world.touch_all_props()
        if world.latch.latched:
            if report.stop == world.latch.id:
                self._confirmed(at.name)
        elif report.stop:
            self._stays_stopped(report.stop)
        elif at.stray_stop:
            at.stray_stop = 0
            world.latch = world.latch.let_in(at.name)
            world.alarms.end(Kind.STRAY_STOP, at.name)
            world.touch("stop")
        if world.supply_low(at):
            volts = report.supply_mv / 1000
            world.raise_alarm(Kind.SUPPLY_LOW, at.name, f"{at.name}: coil supply at {volts:.1f} V")
        else:
            world.alarms.end(Kind.SUPPLY_LOW, at.name)

    def _prop(self, report: PropReport) -> None:
        world = self._world
        prop = world.prop_at(self.at.name, report.prop)
        if prop is None:
            return
        before, prop.report, prop.reported_ms = prop.report, report, world.now.mono_ms
        self._recorder.seen(self.at, prop, report)
        shown = world.state_of(prop)
        if shown is not prop.shown:
            prop.shown = shown
            prop.since_wall_ns = world.now.wall_of(world.now.mono_ms - report.elapsed_ms)
        if shown in ARMED_STATES and prop.asked is Asked.ARM:
            # The report may come before the answer, and the engine die between the two.
            world.armed_before[prop.name] = None
        if report.state is State.FAULT:
            if before is None or before.state is not State.FAULT:
                prop.fault = prop.fault or "fault"
            world.raise_alarm(Kind.FAULT, prop.name, f"{prop.prop.title}: {prop.fault}")
        elif prop.fault:
            prop.fault = ""
            world.alarms.end(Kind.FAULT, prop.name)
        if (
            self.at.link is LinkState.LIVE
            and report.selected != prop.wanted
            and prop.asked is not Asked.SWITCH
            and not self.at.session.asks(Select, prop.prop.index, prop.wanted)
        ):
            self.at.session.ask((Asked.NOTHING, prop.name), Select, prop.prop.index, prop.wanted)
        world.touch(f"prop/{prop.name}", "site")

    def _event(self, record: EventRecord) -> None:
        at, world = self.at, self._world
        prop = world.prop_at(at.name, record.prop) if record.prop else None
        if record.kind is EventKind.FAULT and prop is not None:
            prop.fault = f"{record.detail} at output {record.value}"
        elif record.kind is EventKind.LATE and prop is not None:
            name = next(
                (c.name for c in prop.prop.channels if c.output == record.value), "a motion"
            )
            world.raise_alarm(
                Kind.LATE, f"{prop.name}/{name}", f"{prop.prop.title}: {name} came late"
            )
        elif record.kind is EventKind.SILENT and self._in_this_session(record):
            world.raise_alarm(Kind.SILENT, at.name, f"{at.name} heard nothing and disarmed itself")
        elif record.kind is EventKind.MEMORY:
            world.raise_alarm(Kind.MEMORY, at.name, f"{at.name}: slot {record.value} was damaged")

    def _in_this_session(self, record: EventRecord) -> bool:
        """Whether something happened since the board is live: what came before is explained."""
        mapped = self.at.session.clock.to_mono(record.ms)
        same_boot = record.boot == self.at.session.boot
        return same_boot and mapped is not None and mapped[0] > self._opened_ms

    # --- answers ------------------------------------------------------------------------------

    def _replied(self, reply: Reply) -> None:
        match reply.ref:
            case (Asked() as asked, str(name)):
                self._prop_replied(self._world.props[name], asked, reply)
            case ("meters", int(first)) if reply.ending is Ending.DONE:
                counts = tuple(int(v) for v in reply.values if v.isdecimal())
                self._recorder.strokes(self.at, first, counts)

    def _prop_replied(self, prop: PropNow, asked: Asked, reply: Reply) -> None:
        world = self._world
        if prop.asked is asked:
            prop.asked = Asked.NOTHING
        world.touch(f"prop/{prop.name}")
        if reply.ending is Ending.DONE and asked is Asked.ARM:
            world.armed_before[prop.name] = None
            world.touch("site")
        if reply.ending is Ending.DONE or asked is Asked.NOTHING:
            return
        what = asked.value.rstrip("…")
        self._recorder.event(
            "request-ended", prop.name, asked=what, ending=reply.ending.value,
            reason=reply.reason.value if reply.reason else "",
        )  # fmt: skip
        if asked is Asked.SWITCH and prop.report is not None:
            prop.wanted = prop.report.selected
        if reply.ending is Ending.CANCELLED:
            return
        if reply.ending is Ending.NO_ANSWER:
            text = f"{prop.prop.title}: {what}, and no answer came"
            world.raise_alarm(Kind.UNSURE, prop.name, text)
            return
        row = REASONS[reply.reason] if reply.reason else None
        said = f"{row.reason}. {row.remedy}" if row else "its controller does not know how"
        world.raise_alarm(Kind.REFUSED, prop.name, f"{prop.prop.title}: {what} refused: {said}")

    @property
    def _keeper(self) -> Keeper:
        return self._ports.keepers[self.at.controller.line]
