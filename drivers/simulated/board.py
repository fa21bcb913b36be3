"""A simulated controller between power on and power off: stop, setup, heartbeat, inputs, props.

Time is in microseconds of the clock that `step` is given. Whatever is due happens at its own time,
in order, however late the step comes.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass

from drivers.simulated.events import Events
from drivers.simulated.inputs import Input, Inputs
from drivers.simulated.memory import Memory
from drivers.simulated.outputs import NEVER, Output, Outputs
from drivers.simulated.parts import Latch, Parts
from drivers.simulated.prop import Prop, Run
from drivers.simulated.stores import Store
from drivers.simulated.upload import Capacities, Sequences, Setup
from drivers.words import EventKind, FaultKind, StopSource

_SAVE_AFTER_US = 500_000
_SAG = 0.8  # of the highest supply since boot
_SAG_OVER = 0.85


@dataclass(slots=True)
class Pins:
    """What the world does to a controller. Bit 0 of `levels` is input 1; all are pulled up."""

    levels: int = 0xFFFFFFFF
    stop_closed: bool = True
    supply_mv: int = 0
    pressure_mv: int = 0


@dataclass(slots=True)
class _Travel:
    """A motion on its way to an end sensor."""

    word: str
    since_us: int
    target: int
    limit_us: int
    prop: Prop
    run: Run | None


class Board:
    """Everything that a loss of power forgets, and the memory that it doesn't."""

    def __init__(
        self, store: Store, has: Capacities, pins: Pins, now_us: int, rng: random.Random
    ) -> None:
        memory = Memory(store, has.props, has.outputs, rng)
        boot = memory.start()
        self.has = has
        self.pins = pins
        self.parts = Parts(
            boot,
            now_us,
            Outputs(has.outputs, self._switched),
            Inputs(has.inputs),
            Sequences(has),
            Setup(),
            memory,
            Events(boot, now_us),
            Latch(),
            rng,
        )
        self.props = [Prop(number, self.parts) for number in range(1, has.props + 1)]
        self.lamp = False
        self.low_supply = False
        self.changes: deque[tuple[int, int, bool]] = deque(maxlen=1024)
        self._shown = (-1, False)
        self._heard_us = now_us
        self._travels: dict[int, _Travel] = {}
        self._warming: list[Input] = []
        self._save_us = NEVER
        self._highest_mv = 0
        self._rng = rng
        for slot in memory.damaged:
            self.parts.events.note(now_us, EventKind.MEMORY, value=slot)
        self.sample(now_us)

    # --- stop and session --------------------------------------------------------------------

    def stop(self, source: StopSource, stop: int, now_us: int) -> None:
        """All-stop under this id, or with 0 under the latched one, or one of our own."""
        latch = self.parts.latch
        fresh = not latch.stop
        latch.stop = stop or latch.stop or self._rng.randrange(1, 1 << 32)
        self.parts.outputs.stop(now_us)
        for prop in self.props:
            prop.stop(now_us)
        if fresh:
            self.parts.events.note(now_us, EventKind.STOPPED, detail=source)

    def disarm_all(self, now_us: int) -> None:
        """Every prop disarmed, every output off, unless a stop has settled them."""
        for prop in self.props:
            prop.disarm(now_us)
        if not self.parts.latch.stop:
            self.parts.outputs.all_off(now_us)

    def heartbeat(self, now_us: int) -> None:
        """The console has been heard."""
        self._heard_us = now_us

    def void_setup(self, now_us: int) -> None:
        """No setup is in force; what it named goes off, a stop's lights included."""
        self.parts.outputs.all_off(now_us)
        self.put_in_force(Setup(), now_us)

    def put_in_force(self, setup: Setup, now_us: int) -> None:
        """Takes a whole setup."""
        self.parts.setup = setup
        self._travels.clear()
        self.parts.inputs.put_in_force(setup.inputs, self.pins.levels, now_us)
        for output in self.parts.outputs:
            output.setup = setup.outputs.get(output.number)
        for prop in self.props:
            item = setup.props.get(prop.number)
            prop.selected = 0 if item is None else item.sequence
        boot_us = self.parts.boot_us
        self._warming = [
            i for i in self.parts.inputs if i.is_trigger and i.warm_at_us(boot_us) > now_us
        ]

    # --- time --------------------------------------------------------------------------------

    @property
    def due_us(self) -> int:
        """When something happens next by itself."""
        parts = self.parts
        due = min(prop.due_us for prop in self.props)
        for output in parts.outputs:
            if output.on:
                due = min(due, output.limit_us, output.held_until_us)
        for given in parts.inputs:
            due = min(due, given.due_us)
        for travel in self._travels.values():
            due = min(due, travel.limit_us)
        for given in self._warming:
            due = min(due, given.warm_at_us(parts.boot_us))
        if self._is_busy():
            due = min(due, self._silent_us)
        return min(due, self._save_us)

    def advance(self, now_us: int) -> None:
        """Does everything that is due, each at its own time."""
        while (at_us := self.due_us) <= now_us:
            self._tick(at_us)
            self._note(at_us)

    def sample(self, now_us: int) -> None:
        """Looks at the pins."""
        pins, latch = self.pins, self.parts.latch
        if pins.stop_closed is latch.input_open:
            latch.input_open = not pins.stop_closed
            self.parts.events.note(now_us, EventKind.STOP_INPUT, value=int(latch.input_open))
        if latch.input_open and not latch.stop:
            self.stop(StopSource.INPUT, 0, now_us)
        self.parts.inputs.sample(pins.levels, now_us)
        self._watch_supply(now_us)
        self._note(now_us)

    def settle(self, now_us: int) -> None:
        """Called after whatever the console asked has been done."""
        self._note(now_us)

    def _tick(self, at_us: int) -> None:
        parts = self.parts
        for prop in self.props:
            prop.tick(at_us)
        for given in parts.inputs:
            if given.due_us <= at_us:
                self._changed(given, at_us)
        for output in parts.outputs:
            if output.limit_us <= at_us:
                self._on_too_long(output, at_us)
            elif output.held_until_us <= at_us:
                parts.outputs.switch(output, False, at_us)
        for number, travel in self._travels.items():
            if travel.limit_us <= at_us:
                travel.limit_us = NEVER
                parts.events.note(at_us, EventKind.LATE, travel.prop.number, value=number)
        for given in [i for i in self._warming if i.warm_at_us(parts.boot_us) <= at_us]:
            self._warming.remove(given)
            assert given.setup is not None
            self.props[given.setup.prop - 1].warmed(given, at_us)
        if self._is_busy() and self._silent_us <= at_us:
            self.disarm_all(at_us)
            parts.events.note(at_us, EventKind.SILENT)
        if self._save_us <= at_us:
            parts.memory.save_loose()
            self._save_us = NEVER

    @property
    def _silent_us(self) -> int:
        return self._heard_us + self.parts.setup.heartbeat_ms * 1000

    def _is_busy(self) -> bool:
        return any(p.armed or p.in_cycle or p.holding for p in self.props)

    def _changed(self, given: Input, at_us: int) -> None:
        given.active = given.raw
        assert given.setup is not None
        prop = self.props[given.setup.prop - 1]
        if not given.active:
            given.blocked = False
            return
        for number, travel in list(self._travels.items()):
            if travel.target == given.number:
                ms = max(0, given.raw_since_us - travel.since_us) // 1000
                travel.prop.note_travel(travel.run, f"{number}{travel.word}{ms}")
                del self._travels[number]
        if given.is_trigger:
            prop.activated(given, at_us)

    def _on_too_long(self, output: Output, at_us: int) -> None:
        self.parts.outputs.switch(output, False, at_us)
        if not output.is_light and output.prop:
            self.props[output.prop - 1].fail(FaultKind.ON_TIME, output.number, at_us)

    def _switched(self, output: Output, at_us: int) -> None:
        if output.on:
            self.parts.memory.count_stroke(output.number)
        self._travels.pop(output.number, None)
        setup = output.setup
        if setup is not None:
            target = setup.out_input if output.on else setup.home_input
            if target and not self.parts.inputs.active(target):
                prop = self.props[setup.prop - 1]
                limit_us = at_us + setup.travel_ms * 1000 if setup.travel_ms else NEVER
                word = ">" if output.on else "<"
                self._travels[output.number] = _Travel(
                    word, at_us, target, limit_us, prop, prop.run
                )

    def _watch_supply(self, now_us: int) -> None:
        millivolts = self.pins.supply_mv
        self._highest_mv = max(self._highest_mv, millivolts)
        bound = (_SAG_OVER if self.low_supply else _SAG) * self._highest_mv
        if (millivolts < bound) is not self.low_supply:
            self.low_supply = not self.low_supply
            self.parts.events.note(now_us, EventKind.SUPPLY, value=millivolts)

    def _note(self, now_us: int) -> None:
        for prop in self.props:
            prop.note_state(now_us)
        shows = (self.parts.outputs.mask, self.lamp)
        if shows != self._shown:
            self._shown = shows
            self.changes.append((now_us, *shows))
        if self._save_us == NEVER and self.parts.memory.unsaved:
            self._save_us = now_us + _SAVE_AFTER_US
