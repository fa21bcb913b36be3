"""One prop of a simulated controller: states, triggers, cycles, rest and idle movement."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from drivers.messages import CycleRecord, Hex32
from drivers.simulated.inputs import Input
from drivers.simulated.outputs import NEVER, Output
from drivers.simulated.parts import Parts
from drivers.simulated.upload import Sequence
from drivers.words import (
    EventKind,
    FaultKind,
    InputKind,
    Outcome,
    PropFlags,
    Reason,
    Sources,
    State,
    Trigger,
)

_MOST_TRAVELS = 8
_SOURCE = {
    Trigger.SENSOR: Sources.SENSOR,
    Trigger.ACTOR: Sources.ACTOR,
    Trigger.OPERATOR: Sources.OPERATOR,
}


@dataclass(slots=True)
class Run:
    """A sequence under way: a cycle with its record, or an idle movement without one."""

    sequence: Sequence
    number: int
    began_us: int
    record: CycleRecord | None
    at: int = 0
    travels: list[str] = field(default_factory=list)

    @property
    def due_us(self) -> int:
        """The time of the next step, or of the end."""
        steps = self.sequence.steps
        ms = steps[self.at].ms if self.at < len(steps) else self.sequence.length_ms
        return self.began_us + ms * 1000


class Prop:
    """One prop. All methods take the time in microseconds."""

    def __init__(self, number: int, parts: Parts) -> None:
        self.number = number
        self.armed = False
        self.sources = Sources(0)
        self.selected = 0
        self.fault: FaultKind | None = None
        self.run: Run | None = None
        self.since_us = parts.boot_us
        self._parts = parts
        self._asked: tuple[Trigger, int, int] | None = None
        self._rest_until_us = 0
        self._resting = False
        self._idle_at_us = NEVER
        self._last_state = State.DISARMED

    @property
    def in_cycle(self) -> bool:
        """Whether a cycle is under way."""
        return self.run is not None and self.run.record is not None

    @property
    def holding(self) -> bool:
        """Whether an output is held on."""
        return any(o.held_until_us != NEVER for o in self._parts.outputs.of(self.number))

    @property
    def state(self) -> State:
        """The one state that the prop is in."""
        if self._parts.latch.stop:
            return State.STOPPED
        if self.fault is not None:
            return State.FAULT
        if self.in_cycle:
            return State.RUNNING
        if not self.armed:
            return State.DISARMED
        return State.RESTING if self._resting else State.ARMED

    def flags(self, now_us: int) -> PropFlags:
        """Conditions beside the state."""
        parts = self._parts
        flags = PropFlags(0)
        if parts.memory.tagged(self.number):
            flags |= PropFlags.TAGGED
        if any(self._is_cold(i, now_us) for i in parts.inputs.of(self.number)):
            flags |= PropFlags.WARMING_UP
        if not self._area_clear():
            flags |= PropFlags.AREA_NOT_CLEAR
        if any(i.blocked for i in parts.inputs.of(self.number)):
            flags |= PropFlags.SENSOR_BLOCKED
        if self.run is None and not self._is_home():
            flags |= PropFlags.NOT_HOME
        if self.run is not None and not self.in_cycle:
            flags |= PropFlags.IDLE_RUNNING
        return flags

    def note_state(self, now_us: int) -> None:
        """Remembers since when the state is what it is."""
        if self.state is not self._last_state:
            self._last_state = self.state
            self.since_us = now_us

    # --- what the console asks ---------------------------------------------------------------

    def arm(self, sources: Sources, now_us: int) -> Reason | None:
        """Arms, or changes the sources; the reason if it cannot."""
        parts = self._parts
        reason = self._why_blocked()
        if reason is None and not self.armed and (self.in_cycle or self.holding):
            reason = Reason.RUNNING
        if reason is None and self.number not in parts.setup.props:
            reason = Reason.SETUP
        if reason is None and parts.cycle_sequence(self.selected, self.number) is None:
            reason = Reason.SEQUENCE
        if reason is not None:
            return reason
        fresh = sources & ~self.sources if self.armed else sources
        for given in parts.inputs.of(self.number):
            if given.is_trigger and not sources & _SOURCE[_trigger_of(given)]:
                given.blocked = False
        self.sources = sources
        if not self.armed:
            self.armed = True
            if not self._resting:
                self._plan_idle(now_us)
        if self.run is None and not self._resting:
            self._look(fresh, now_us)
        return None

    def fire(self, now_us: int) -> Reason | None:
        """Starts a cycle by hand; the reason if it cannot."""
        reason = self._why_not(Trigger.OPERATOR)
        if reason is None:
            self._start_armed(Trigger.OPERATOR, 0, self.selected, now_us)
        return reason

    def test(self, sequence: int, now_us: int) -> Reason | None:
        """Runs one cycle while disarmed; the reason if it cannot."""
        reason = self._why_blocked()
        if reason is None and self.armed:
            reason = Reason.ARMED
        if reason is None and (self.in_cycle or self.holding):
            reason = Reason.RUNNING
        if reason is None and self._resting:
            reason = Reason.RESTING
        if reason is None and not self._area_clear():
            reason = Reason.AREA
        if reason is None and self.number not in self._parts.setup.props:
            reason = Reason.SETUP
        if reason is not None:
            return reason
        found = self._parts.cycle_sequence(sequence, self.number)
        if found is None:
            return Reason.SEQUENCE
        self._begin(found, sequence, Trigger.TEST, now_us)
        return None

    def select(self, sequence: int) -> Reason | None:
        """Makes a sequence that of the cycles to come; the reason if it cannot."""
        if self._parts.cycle_sequence(sequence, self.number) is None:
            return Reason.SEQUENCE
        self.selected = sequence
        return None

    def hold(self, output: Output, ms: int, now_us: int) -> Reason | None:
        """Holds one of this prop's outputs on, or lets go with 0; the reason if it cannot."""
        reason = self._why_blocked()
        if reason is None and self.armed:
            reason = Reason.ARMED
        if reason is None and self.in_cycle:
            reason = Reason.RUNNING
        if reason is None and ms and not self._area_clear():
            reason = Reason.AREA
        if reason is not None:
            return reason
        self._parts.outputs.switch(output, ms > 0, now_us)
        output.held_until_us = now_us + ms * 1000 if ms else NEVER
        return None

    def disarm(self, now_us: int, outcome: Outcome = Outcome.DISARMED) -> None:
        """Disarms, cuts what runs; outputs off unless a stop has settled them already."""
        self.armed = False
        self.sources = Sources(0)
        self._asked = None
        self._idle_at_us = NEVER
        for given in self._parts.inputs.of(self.number):
            given.blocked = False
        if not self._parts.latch.stop:
            self._parts.outputs.off(self.number, now_us)
        self._end(outcome, now_us)

    def stop(self, now_us: int) -> None:
        """All-stop: disarmed, what runs is cut; the outputs are settled already."""
        self.disarm(now_us, Outcome.STOPPED)

    def fail(self, fault: FaultKind, output: int, now_us: int) -> None:
        """Puts the prop into fault."""
        self.fault = fault
        self._parts.events.note(now_us, EventKind.FAULT, self.number, fault, output)
        self.disarm(now_us, Outcome.FAULT)

    # --- what happens by itself --------------------------------------------------------------

    @property
    def due_us(self) -> int:
        """When something happens next."""
        due = self._idle_at_us if self.armed and self.run is None else NEVER
        if self._resting:
            due = min(due, self._rest_until_us)
        if self.run is not None:
            due = min(due, self.run.due_us)
        return due

    def tick(self, at_us: int) -> None:
        """Does what is due at this time."""
        if self._resting and at_us >= self._rest_until_us:
            self._resting = False
            if self.armed:
                self._plan_idle(at_us)
                self._look(self.sources, at_us)
        if self.run is not None and at_us >= self.run.due_us:
            self._advance(at_us)
        if self.armed and self.run is None and at_us >= self._idle_at_us:
            self._start_idle(at_us)

    def activated(self, given: Input, at_us: int) -> None:
        """One of the prop's trigger inputs has become active."""
        trigger = _trigger_of(given)
        reason = self._why_not(trigger, cold=self._is_cold(given, at_us))
        if reason is None:
            self._start_armed(trigger, given.number, self.selected, at_us)
        else:
            self._miss(reason, given.number, at_us)

    def warmed(self, given: Input, at_us: int) -> None:
        """A sensor counts from now on: if it is active already, it is as found at arming."""
        if self.armed and not self._resting and self.run is None and given.active:
            self._look(_SOURCE[_trigger_of(given)] & self.sources, at_us)

    def note_travel(self, run: Run | None, word: str) -> None:
        """A motion has arrived that was sent in this run."""
        if run is not None and run is self.run and len(run.travels) < _MOST_TRAVELS:
            run.travels.append(word)

    # --- inside ------------------------------------------------------------------------------

    def _why_blocked(self) -> Reason | None:
        if self._parts.latch.stop:
            return Reason.LATCHED
        if self._parts.latch.input_open:
            return Reason.STOP_INPUT
        if self._parts.memory.tagged(self.number):
            return Reason.TAGGED
        return Reason.FAULT if self.fault is not None else None

    def _why_not(self, trigger: Trigger, *, cold: bool = False) -> Reason | None:
        reason = self._why_blocked()
        if reason is not None:
            return reason
        checks = (
            (not self.armed, Reason.DISARMED),
            (self.in_cycle or self._asked is not None, Reason.RUNNING),
            (self._resting, Reason.RESTING),
            (not self.sources & _SOURCE[trigger], Reason.SOURCE_OFF),
            (cold, Reason.WARMING_UP),
            (not self._area_clear(), Reason.AREA),
            (self.run is None and not self._is_home(), Reason.NOT_HOME),
        )
        return next((reason for failed, reason in checks if failed), None)

    def _is_cold(self, given: Input, now_us: int) -> bool:
        return given.is_trigger and now_us < given.warm_at_us(self._parts.boot_us)

    def _area_clear(self) -> bool:
        setup = self._parts.setup.props.get(self.number)
        if setup is None or not setup.area_input:
            return True
        area = self._parts.inputs[setup.area_input]
        return area.active and area.raw

    def _is_home(self) -> bool:
        for output in self._parts.outputs.of(self.number):
            assert output.setup is not None
            home = output.setup.home_input
            if home and not output.on and not self._parts.inputs.active(home):
                return False
        return True

    def _miss(self, reason: Reason, number: int, at_us: int) -> None:
        self._parts.events.note(at_us, EventKind.MISSED, self.number, reason, number)

    def _look(self, sources: Sources, now_us: int) -> None:
        """Inputs that are active already: they must clear first, or count once now."""
        for given in self._parts.inputs.of(self.number):
            if not (given.is_trigger and given.active and sources & _SOURCE[_trigger_of(given)]):
                continue
            if self._is_cold(given, now_us):
                continue
            assert given.setup is not None
            if given.setup.clear_first:
                given.blocked = True
            elif self.run is None and not self._resting:
                self.activated(given, now_us)

    def _plan_idle(self, now_us: int) -> None:
        setup = self._parts.setup.props.get(self.number)
        if setup is None or not setup.idle:
            self._idle_at_us = NEVER
            return
        wait_ms = self._parts.rng.randint(setup.idle_least_ms, setup.idle_most_ms)
        self._idle_at_us = now_us + max(wait_ms, 1) * 1000

    def _start_idle(self, at_us: int) -> None:
        sequence = self._parts.idle_sequence(self.number)
        setup = self._parts.setup.props[self.number]
        if sequence is None or not self._area_clear() or not self._is_home():
            self._plan_idle(at_us)
            return
        self._idle_at_us = NEVER
        self.run = Run(sequence, setup.idle, at_us, None)
        self._advance(at_us)

    def _start_armed(self, trigger: Trigger, given: int, number: int, now_us: int) -> None:
        if self.run is not None:
            self._asked = (trigger, given, number)
            self._answer_asked(now_us)
            return
        sequence = self._parts.cycle_sequence(number, self.number)
        if sequence is None:
            self._miss(Reason.SEQUENCE, given, now_us)
            return
        self._begin(sequence, number, trigger, now_us)

    def _answer_asked(self, now_us: int) -> None:
        """Ends the idle movement for a trigger as soon as every motion is off."""
        if self._asked is None:
            return
        if self.run is not None:
            if self._parts.outputs.moving(self.number):
                return
            self.run = None
            self._parts.outputs.settle(self.number, now_us)
        trigger, given, number = self._asked
        self._asked = None
        if self._area_clear():
            self._start_armed(trigger, given, number, now_us)
        else:
            self._miss(Reason.AREA, given, now_us)
            self._plan_idle(now_us)

    def _begin(self, sequence: Sequence, number: int, trigger: Trigger, now_us: int) -> None:
        parts = self._parts
        record = CycleRecord(
            Hex32(parts.memory.life(self.number)),
            self.number,
            parts.memory.next_number(self.number),
            number,
            trigger,
            Outcome.POWER,
            Hex32(parts.boot),
            parts.clock_ms(now_us),
            0,
            (),
        )
        parts.memory.begin(record)
        self._idle_at_us = NEVER
        self.run = Run(sequence, number, now_us, record)
        self._advance(now_us)

    def _advance(self, at_us: int) -> None:
        """Plays the steps that are due, and the end."""
        run, outputs = self.run, self._parts.outputs
        while run is not None and run is self.run and at_us >= run.due_us:
            if run.at < len(run.sequence.steps):
                step = run.sequence.steps[run.at]
                run.at += 1
                outputs.switch(outputs[step.output], step.on, at_us)
            elif run.record is not None:
                outputs.settle(self.number, at_us)
                self._end(Outcome.DONE, at_us)
            else:
                outputs.settle(self.number, at_us)
                self.run = None
                self._plan_idle(at_us)
        if not self.in_cycle:
            self._answer_asked(at_us)

    def _end(self, outcome: Outcome, now_us: int) -> None:
        run, self.run = self.run, None
        if run is None or run.record is None:
            return
        setup = self._parts.setup.props[self.number]
        self._resting = setup.rest_ms > 0
        self._rest_until_us = now_us + setup.rest_ms * 1000
        self._parts.memory.finish(
            replace(
                run.record,
                outcome=outcome,
                duration_ms=(now_us - run.began_us) // 1000,
                travels=tuple(run.travels),
            )
        )
        if self.armed and not self._resting:
            self._plan_idle(now_us)
            self._look(self.sources, now_us)


def _trigger_of(given: Input) -> Trigger:
    assert given.setup is not None
    return Trigger.SENSOR if given.setup.kind is InputKind.SENSOR else Trigger.ACTOR
