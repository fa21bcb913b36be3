"""One controller: what its session says and what follows. Every supervisor stands alone."""

from __future__ import annotations

from collections.abc import Callable

from console.engine.hearing import Hearing
from console.engine.lines import POOR_QUALITY, Keeper, Ports
from console.engine.recording import Recorder
from console.engine.world import ControllerNow, StopAll, World
from console.rules.alarms import Kind
from console.views.models import Asked, LinkState, PropState
from drivers.messages import (
    BoardReport,
    Boot,
    CycleRecord,
    EventRecord,
    Identity,
    Lamp,
    Meters,
    PropReport,
)
from drivers.reports import (
    Foreign,
    Heard,
    Opened,
    Phase,
    PhaseChanged,
    Reply,
    SessionReport,
    Spoken,
    StopAnswered,
    Stranger,
    UploadFailed,
)

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
        self._hearing = Hearing(world, at, recorder, stop_all, confirmed)
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
                self._hearing.is_stopped(True)
                if world.latch.latched and stop == world.latch.id:
                    self._confirmed(at.name)
            case UploadFailed(message):
                at.message = message
                world.raise_alarm(Kind.UPLOAD_FAILED, at.name, f"{at.name}: {message}")
            case Heard(message):
                self._heard(message)
            case Reply():
                self._hearing.replied(report)

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
        self._hearing.is_stopped(bool(stop))
        self._opened_ms = world.now.mono_ms
        if world.latch.latched and stop == world.latch.id:
            self._confirmed(at.name)
        elif stop and not world.latch.latched:
            self._hearing.stays_stopped(stop)

    def _was_reset(self, boot: int) -> None:
        at, world = self.at, self._world
        cause = at.boot_cause or "unknown"
        self._recorder.event("controller-reset", at.name, cause=cause, boot=boot)
        by_opening = world.now.mono_ms - self._keeper.opened_ms < RESET_BY_OPENING_MS
        if world.night is not None and not by_opening:
            world.raise_alarm(Kind.RESET, at.name, f"{at.name} was reset ({cause})")

    def _heard(self, message: Spoken) -> None:
        match message:
            case Boot():
                self.at.boot_cause = message.cause.value
            case BoardReport():
                self._hearing.board(message)
            case PropReport():
                self._hearing.prop(message)
            case CycleRecord():
                self._recorder.cycle(self.at, message)
            case EventRecord():
                self._hearing.event(message, self._opened_ms)
                self._recorder.happening(self.at, message)

    @property
    def _keeper(self) -> Keeper:
        return self._ports.keepers[self.at.controller.line]
