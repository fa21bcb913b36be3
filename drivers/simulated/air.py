"""Air of a plant: flow through an opening, a tank, a compressor with two set points."""

from __future__ import annotations

import math

from drivers.simulated.description import ATMOSPHERE_PA, AirSpec

CRITICAL_RATIO = 0.3
"""Of a small valve with its fittings; an ideal nozzle has 0.528."""


def flow_m3_per_s(conductance: float, up_pa: float, down_pa: float) -> float:
    """Volume flow at atmospheric pressure through a sonic conductance in m³/(s·Pa).

    Pressures are absolute. ISO 6358-1: choked below the critical ratio, an ellipse above it. At
    equal pressures its slope has no bound, so the last hundredth is made straight.
    """
    if up_pa <= down_pa:
        return 0.0
    ratio = down_pa / up_pa
    if ratio <= CRITICAL_RATIO:
        return conductance * up_pa
    if ratio > 0.99:
        at = (0.99 - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
        return conductance * up_pa * math.sqrt(1.0 - at * at) * (1.0 - ratio) / 0.01
    above = (ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
    return conductance * up_pa * math.sqrt(1.0 - above * above)


class Tank:
    """A tank at one temperature, its compressor and its leaks."""

    def __init__(self, spec: AirSpec) -> None:
        self._spec = spec
        self.absolute_pa = spec.cut_out_pa + ATMOSPHERE_PA
        self.running = False
        self.extra_leak_m3_per_s = 0.0
        """A leak that was not described, at cut-out pressure."""

    @property
    def gauge_pa(self) -> float:
        """What a gauge on the tank shows."""
        return self.absolute_pa - ATMOSPHERE_PA

    def take(self, volume_m3: float) -> None:
        """Draws so much air."""
        self._add(-volume_m3)

    def run(self, seconds: float) -> None:
        """Lets the compressor and the leaks work for a short time."""
        spec = self._spec
        if self.gauge_pa < spec.cut_in_pa:
            self.running = True
        elif self.gauge_pa > spec.cut_out_pa:
            self.running = False
        full_pa = spec.cut_out_pa + ATMOSPHERE_PA
        leaks = (spec.leak_m3_per_s + self.extra_leak_m3_per_s) * self.absolute_pa / full_pa
        if self.gauge_pa <= 0.0:
            leaks = 0.0
        delivers = spec.delivers_m3_per_s if self.running else 0.0
        self._add((delivers - leaks) * seconds)

    def _add(self, volume_m3: float) -> None:
        change_pa = volume_m3 * ATMOSPHERE_PA / self._spec.tank_m3
        self.absolute_pa = max(ATMOSPHERE_PA, self.absolute_pa + change_pa)
