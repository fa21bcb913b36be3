"""The plant around simulated controllers: it works their inputs and follows their outputs.

It shares nothing with anybody's computations about such a plant, so that each can judge the other.
Time is in microseconds of the controllers' clock.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from drivers.simulated.air import Tank
from drivers.simulated.controller import SimulatedController
from drivers.simulated.cylinder import Cylinder
from drivers.simulated.description import (
    ATMOSPHERE_PA,
    BoardSpec,
    MotionSpec,
    PlantDescription,
    SensorKind,
    SensorSpec,
)
from drivers.simulated.guests import Guests

_MOVING_US = 4_000
_AIR_US = 250_000
_SUPPLY_STEP_MV = 40
_PRESSURE_STEP_MV = 4
_LONGEST_RUN_S = 0.5


@dataclass(slots=True)
class _Motion:
    spec: MotionSpec
    cylinder: Cylinder
    on: bool = False
    strokes: int = 0
    slow: float = 1.0
    moving: bool = False


@dataclass(slots=True)
class _Sensor:
    spec: SensorSpec
    reasons: int = 0


class Plant:
    """Everything outside the controllers."""

    def __init__(
        self,
        description: PlantDescription,
        controllers: Mapping[str, SimulatedController],
        start_us: int,
        *,
        seed: int = 1,
        groups_per_hour: float | None = None,
        speed: float = 1.0,
    ) -> None:
        self._rng = random.Random(seed)
        self.tank = Tank(description.air)
        self.guests = Guests(
            description, self._rng, start_us, groups_per_hour=groups_per_hour, speed=speed
        )
        self._boards: dict[str, BoardSpec] = {b.name: b for b in description.boards}
        self._controllers = controllers
        self._motions = [_Motion(spec, Cylinder(spec)) for spec in description.motions]
        self._sensors = [_Sensor(spec) for spec in description.sensors]
        self._outputs = dict.fromkeys(self._boards, 0)
        self._shown: dict[tuple[str, str], int] = {}
        self._now_us = start_us
        self._air_us = start_us
        self._pulses: list[tuple[int, int]] = []
        for number, sensor in enumerate(self._sensors):
            self._show_sensor(number, sensor)
        for motion in self._motions:
            self._show_ends(motion)
        self._measure()

    # --- time --------------------------------------------------------------------------------

    @property
    def next_due_us(self) -> int:
        """When the next step is needed at the latest."""
        due = self._air_us + _AIR_US
        if any(motion.moving for motion in self._motions):
            due = self._now_us + _MOVING_US
        guests = self.guests.next_us
        if guests is not None:
            due = min(due, guests)
        return min([due, *(end_us for end_us, _ in self._pulses)])

    def step(self, now_us: int) -> None:
        """Up to now with the outputs as they were; then takes the outputs as they are."""
        seconds = min(_LONGEST_RUN_S, max(0, now_us - self._now_us) / 1e6)
        self._now_us = now_us
        if seconds:
            self._run_motions(seconds)
        if now_us - self._air_us >= _AIR_US:
            self.tank.run(min(5.0, (now_us - self._air_us) / 1e6))
            self._air_us = now_us
            self._measure()
            self._wake_motions()
        for touch in self.guests.take(now_us):
            self._touch(touch.sensor, touch.by)
        self._end_pulses(now_us)
        self._follow_outputs()

    # --- what can be done to it -----------------------------------------------------------------

    def slow(self, board: str, output: int, factor: float) -> None:
        """Makes one motion so many times slower. Raises ValueError where there is none."""
        found = [m for m in self._motions if (m.spec.board, m.spec.output) == (board, output)]
        if not found or factor <= 0:
            raise ValueError(f"board {board} has no motion on output {output}")
        for motion in found:
            motion.slow = factor

    def leak(self, flow_m3_per_s: float) -> None:
        """Opens another leak, as large at cut-out pressure; 0 mends it."""
        self.tank.extra_leak_m3_per_s = flow_m3_per_s

    def trip(self, board: str, number: int, seconds: float = 0.4) -> None:
        """Makes an input active for a moment. Raises ValueError for an unknown board."""
        if board not in self._controllers or not 1 <= number <= 16:
            raise ValueError(f"there is no input {number} on board {board!r}")
        sensor = self._sensor(board, number)
        self._touch(sensor, 1)
        self._pulses.append((self._now_us + round(seconds * 1e6), sensor))

    def strokes(self, board: str, output: int) -> int:
        """How often a motion was sent out."""
        return sum(
            m.strokes for m in self._motions if (m.spec.board, m.spec.output) == (board, output)
        )

    # --- inside -------------------------------------------------------------------------------

    def _run_motions(self, seconds: float) -> None:
        for motion in self._motions:
            if not motion.moving:
                continue
            supply_pa = self._supply_pa(motion.spec)
            cylinder = motion.cylinder
            cylinder.slow = motion.slow * (1.0 + motion.spec.wear * motion.strokes)
            self.tank.take(cylinder.run(seconds, motion.on, supply_pa))
            self._show_ends(motion)
            motion.moving = not cylinder.is_settled(motion.on, supply_pa)

    def _wake_motions(self) -> None:
        """A change of pressure moves what stood still under the pressure before."""
        for motion in self._motions:
            supply_pa = self._supply_pa(motion.spec)
            if not motion.moving and not motion.cylinder.is_settled(motion.on, supply_pa):
                motion.moving = True

    def _supply_pa(self, spec: MotionSpec) -> float:
        """Behind regulator and dump valve, absolute."""
        fed = not spec.fed_by or self._outputs[spec.board] >> (spec.fed_by - 1) & 1
        gauge_pa = min(spec.set_pa, self.tank.gauge_pa) if fed else 0.0
        return gauge_pa + ATMOSPHERE_PA

    def _follow_outputs(self) -> None:
        for name, controller in self._controllers.items():
            outputs = controller.outputs
            changed = outputs ^ self._outputs[name]
            if not changed:
                continue
            self._outputs[name] = outputs
            self._show_supply(name)
            for motion in self._motions:
                if motion.spec.board == name:
                    self._switch(motion, outputs, changed)

    def _switch(self, motion: _Motion, outputs: int, changed: int) -> None:
        spec = motion.spec
        if changed >> (spec.output - 1) & 1:
            motion.on = bool(outputs >> (spec.output - 1) & 1)
            motion.strokes += motion.on
            motion.moving = True
        elif spec.fed_by and changed >> (spec.fed_by - 1) & 1:
            motion.moving = True

    def _touch(self, number: int, by: int) -> None:
        sensor = self._sensors[number]
        sensor.reasons += by
        self._show_sensor(number, sensor)

    def _show_sensor(self, number: int, sensor: _Sensor) -> None:
        spec = sensor.spec
        touched = sensor.reasons > 0
        active = touched is not (spec.kind is SensorKind.AREA)
        level = spec.active_level if active else 1 - spec.active_level
        self._show(spec.board, f"input {spec.input}", level)

    def _show_ends(self, motion: _Motion) -> None:
        spec, cylinder = motion.spec, motion.cylinder
        for number, reached in (
            (spec.out_input, cylinder.is_out),
            (spec.home_input, cylinder.is_home),
        ):
            if number:
                level = spec.end_level if reached else 1 - spec.end_level
                self._show(spec.board, f"input {number}", level)

    def _show(self, board: str, what: str, value: int) -> None:
        if self._shown.get((board, what)) != value:
            self._shown[board, what] = value
            self._controllers[board].set_input(int(what.split()[1]), value)

    def _measure(self) -> None:
        for name, spec in self._boards.items():
            self._show_supply(name)
            gauge = spec.gauge
            if gauge is None:
                continue
            slope = (gauge.high_mv - gauge.low_mv) / (gauge.high_pa - gauge.low_pa)
            millivolts = round(gauge.low_mv + (self.tank.gauge_pa - gauge.low_pa) * slope)
            if abs(millivolts - self._shown.get((name, "pressure"), -1000)) >= _PRESSURE_STEP_MV:
                self._shown[name, "pressure"] = millivolts
                self._controllers[name].set_pressure(max(0, millivolts))

    def _show_supply(self, name: str) -> None:
        spec = self._boards[name]
        if not spec.supply_mv:
            return
        drawn_a = spec.coil_a * self._outputs[name].bit_count()
        millivolts = round(spec.supply_mv - 1000 * drawn_a * spec.supply_ohm)
        if abs(millivolts - self._shown.get((name, "supply"), -1000)) >= _SUPPLY_STEP_MV:
            self._shown[name, "supply"] = millivolts
            self._controllers[name].set_supply(millivolts)

    def _sensor(self, board: str, number: int) -> int:
        for at, sensor in enumerate(self._sensors):
            if (sensor.spec.board, sensor.spec.input) == (board, number):
                return at
        self._sensors.append(_Sensor(SensorSpec(board, number, SensorKind.MAT, "")))
        return len(self._sensors) - 1

    def _end_pulses(self, now_us: int) -> None:
        for pulse in [p for p in self._pulses if p[0] <= now_us]:
            self._pulses.remove(pulse)
            self._touch(pulse[1], -1)
