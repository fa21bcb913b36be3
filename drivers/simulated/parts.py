"""What the props of one simulated controller share while it is powered."""

from __future__ import annotations

import random
from dataclasses import dataclass

from drivers.simulated.events import Events
from drivers.simulated.inputs import Inputs
from drivers.simulated.memory import Memory
from drivers.simulated.outputs import Outputs
from drivers.simulated.upload import Sequence, Sequences, Setup


@dataclass(slots=True)
class Latch:
    """The all-stop: the id of the latched stop (0: none), and whether the stop input is open."""

    stop: int = 0
    input_open: bool = False


@dataclass(slots=True)
class Parts:
    """One board's parts. Times are microseconds of the clock that `step` is given."""

    boot: int
    boot_us: int
    outputs: Outputs
    inputs: Inputs
    sequences: Sequences
    setup: Setup
    memory: Memory
    events: Events
    latch: Latch
    rng: random.Random

    def clock_ms(self, at_us: int) -> int:
        """Milliseconds since the boot, as they go over the wire."""
        return (at_us - self.boot_us) // 1000 & 0xFFFFFFFF

    def cycle_sequence(self, number: int, prop: int) -> Sequence | None:
        """The sequence, if it is whole, a cycle of this prop and switches only its outputs."""
        return self._own(number, prop, idle=False)

    def idle_sequence(self, prop: int) -> Sequence | None:
        """The prop's idle movement, if it has one and it is whole."""
        setup = self.setup.props.get(prop)
        return None if setup is None or not setup.idle else self._own(setup.idle, prop, idle=True)

    def _own(self, number: int, prop: int, *, idle: bool) -> Sequence | None:
        found = self.sequences.whole(number)
        if found is None or found.prop != prop or (found.kind.value == "idle") is not idle:
            return None
        owned = {output.number for output in self.outputs.of(prop)}
        return found if all(step.output in owned for step in found.steps) else None
