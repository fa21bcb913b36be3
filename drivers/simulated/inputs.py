"""The inputs of a simulated controller: levels at the pins, debounced to active or not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drivers.messages import SetInput
from drivers.simulated.outputs import NEVER
from drivers.words import InputKind, Level


@dataclass(slots=True)
class Input:
    """One input. `active` is debounced; `raw_since_us` is when the pin last changed."""

    number: int
    setup: SetInput | None = None
    raw: bool = False
    raw_since_us: int = 0
    active: bool = False
    blocked: bool = False

    @property
    def due_us(self) -> int:
        """When a change at the pin will have been stable for long enough."""
        if self.setup is None or self.raw is self.active:
            return NEVER
        return self.raw_since_us + self.setup.debounce_ms * 1000

    @property
    def is_trigger(self) -> bool:
        """Whether it can start a cycle."""
        return self.setup is not None and self.setup.kind in (InputKind.SENSOR, InputKind.ACTOR)

    def warm_at_us(self, boot_us: int) -> int:
        """When it counts after a boot."""
        return boot_us + (0 if self.setup is None else self.setup.warm_up_ms * 1000)


class Inputs:
    """All inputs of a board."""

    def __init__(self, count: int) -> None:
        self._all = [Input(number) for number in range(1, count + 1)]

    def __getitem__(self, number: int) -> Input:
        return self._all[number - 1]

    def __iter__(self) -> Iterator[Input]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    @property
    def mask(self) -> int:
        """Bit 0 is input 1; 1 while it is active."""
        return sum(1 << at for at, given in enumerate(self._all) if given.active)

    def of(self, prop: int) -> Iterator[Input]:
        """The inputs of a prop."""
        return (i for i in self._all if i.setup is not None and i.setup.prop == prop)

    def active(self, number: int) -> bool:
        """Whether input `number` is active; 0 stands for none."""
        return number != 0 and self[number].active

    def sample(self, levels: int, now_us: int) -> None:
        """Takes the electrical levels of all pins."""
        for given in self._all:
            raw = is_active(given.setup, levels >> (given.number - 1) & 1)
            if raw is not given.raw:
                given.raw = raw
                given.raw_since_us = now_us

    def put_in_force(self, setups: dict[int, SetInput], levels: int, now_us: int) -> None:
        """Takes a new setup; what the pins are at now counts as if it had always been so."""
        for given in self._all:
            given.setup = setups.get(given.number)
            given.raw = is_active(given.setup, levels >> (given.number - 1) & 1)
            given.raw_since_us = now_us
            given.active = given.raw
            given.blocked = False


def is_active(setup: SetInput | None, level: int) -> bool:
    """Whether this electrical level counts as active; without a setup nothing does."""
    return setup is not None and (level == 1) is (setup.level is Level.HIGH)
