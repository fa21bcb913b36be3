"""The outputs of a simulated controller: which are on, since when, how often, how long allowed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers.messages import SetOutput
from drivers.words import AtStop, OutputKind

NEVER = 1 << 62
"""A time that does not come."""


@dataclass(slots=True)
class Output:
    """One output. Times are microseconds of the board's clock."""

    number: int
    setup: SetOutput | None = None
    on: bool = False
    since_us: int = 0
    held_until_us: int = NEVER

    @property
    def prop(self) -> int:
        """The prop it belongs to (0: none)."""
        return 0 if self.setup is None else self.setup.prop

    @property
    def limit_us(self) -> int:
        """When its largest on-time is over."""
        if not self.on or self.setup is None or not self.setup.longest_on_ms:
            return NEVER
        return self.since_us + self.setup.longest_on_ms * 1000

    @property
    def is_light(self) -> bool:
        """Whether a lamp hangs on it."""
        return self.setup is not None and self.setup.kind is OutputKind.LIGHT


class Outputs:
    """All outputs of a board. `switched` hears of every real change, once it is made."""

    def __init__(self, count: int, switched: Callable[[Output, int], None]) -> None:
        self._all = [Output(number) for number in range(1, count + 1)]
        self._switched = switched
        self.mask = 0
        """Which are on: bit 0 is output 1."""

    def __getitem__(self, number: int) -> Output:
        return self._all[number - 1]

    def __iter__(self) -> Iterator[Output]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    def of(self, prop: int) -> Iterator[Output]:
        """The outputs of a prop."""
        return (output for output in self._all if output.prop == prop)

    def switch(self, output: Output, on: bool, at_us: int) -> None:
        """Switches one output, if it is not so already."""
        if not on:
            output.held_until_us = NEVER
        if output.on is not on:
            output.on = on
            output.since_us = at_us
            self.mask ^= 1 << (output.number - 1)
            self._switched(output, at_us)

    def all_off(self, at_us: int) -> None:
        """Every output off."""
        for output in self._all:
            self.switch(output, False, at_us)

    def off(self, prop: int, at_us: int) -> None:
        """Every output of a prop off."""
        for output in self.of(prop):
            self.switch(output, False, at_us)

    def settle(self, prop: int, at_us: int) -> None:
        """What the end of a sequence leaves on: lights that stay on at a stop, and the air."""
        for output in self.of(prop):
            assert output.setup is not None
            stays = output.setup.kind is OutputKind.DUMP or (
                output.is_light and output.setup.at_stop is not AtStop.OFF
            )
            if not stays:
                self.switch(output, False, at_us)

    def stop(self, at_us: int) -> None:
        """All-stop: everything off but lights, which do as their setup says."""
        for output in self._all:
            output.held_until_us = NEVER
            at_stop = AtStop.OFF if output.setup is None else output.setup.at_stop
            if not output.is_light or at_stop is AtStop.OFF:
                self.switch(output, False, at_us)
            elif at_stop is AtStop.ON:
                self.switch(output, True, at_us)

    def moving(self, prop: int) -> bool:
        """Whether any motion of the prop is on."""
        return any(
            o.on and o.setup is not None and o.setup.kind is OutputKind.MOTION
            for o in self.of(prop)
        )
