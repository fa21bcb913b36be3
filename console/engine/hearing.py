"""What a live board says: of itself, of its props, of what happened, and to what was asked."""

from __future__ import annotations

from collections.abc import Callable

from console.engine.recording import Recorder
from console.engine.world import ARMED_STATES, ControllerNow, PropNow, StopAll, World
from console.rules.alarms import Kind
from console.rules.latch import Hold
from console.rules.remedies import REASONS
from console.views.models import Asked, LinkState
from drivers.messages import BoardReport, Clear, EventRecord, Hex32, PropReport, Select
from drivers.reports import Ending, Reply
from drivers.words import EventKind, State


class Hearing:
    """Follows the reports and answers of one controller's board."""

    def __init__(
        self,
        world: World,
        at: ControllerNow,
        recorder: Recorder,
        stop_all: StopAll,
        confirmed: Callable[[str], None],
    ) -> None:
        self.at = at
        self._world = world
        self._recorder = recorder
        self._stop_all = stop_all
        self._confirmed = confirmed

    def stays_stopped(self, stop: int) -> None:
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

    def is_stopped(self, stopped: bool) -> None:
        """The board says whether a stop is latched on it, and so on all its props."""
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

    def board(self, report: BoardReport) -> None:
        """The whole board: stop, stop input, supply."""
        at, world = self.at, self._world
        was_open = at.stop_input_open
        at.report = report
        self.is_stopped(bool(report.stop))
        if at.stop_input_open:
            world.raise_alarm(
                Kind.STOP_INPUT, at.name, f"the hardwired stop at {at.controller.where} is open"
            )
            if not was_open:
                world.touch("stop")
                world.touch_all_props()
            if not world.latch.latched or world.latch.hold is Hold.CLEARING:
                self._stop_all(f"hardwired stop at {at.controller.where}", "")
        elif was_open:
            world.alarms.end(Kind.STOP_INPUT, at.name)
            world.touch("stop")
            world.touch_all_props()
        if world.latch.latched:
            if report.stop == world.latch.id:
                self._confirmed(at.name)
        elif report.stop:
            self.stays_stopped(report.stop)
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

    def prop(self, report: PropReport) -> None:
        """One prop: its state, its newest cycle, its selected sequence."""
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

    def event(self, record: EventRecord, opened_ms: float) -> None:
        """Something happened at the board; the session is open since `opened_ms`."""
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
        elif record.kind is EventKind.SILENT and self._since(opened_ms, record):
            world.raise_alarm(Kind.SILENT, at.name, f"{at.name} heard nothing and disarmed itself")
        elif record.kind is EventKind.MEMORY:
            world.raise_alarm(Kind.MEMORY, at.name, f"{at.name}: slot {record.value} was damaged")

    def _since(self, opened_ms: float, record: EventRecord) -> bool:
        """Whether something happened since then: what came before the session is explained."""
        mapped = self.at.session.clock.to_mono(record.ms)
        same_boot = record.boot == self.at.session.boot
        return same_boot and mapped is not None and mapped[0] > opened_ms

    # --- answers ------------------------------------------------------------------------------

    def replied(self, reply: Reply) -> None:
        """A request has ended."""
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
