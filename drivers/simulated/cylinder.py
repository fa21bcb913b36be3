"""A cylinder that is filled and vented through a valve, moving a load between two stops.

Two chambers at one temperature, flow after ISO 6358, dry and viscous friction; integrated by
semi-implicit Euler steps of half a millisecond. The valve's opening is not described but found: it
is what makes the stroke last as long as it does at set pressure.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.air import flow_m3_per_s
from drivers.simulated.description import ATMOSPHERE_PA, MotionSpec

STEP_S = 0.0005
_NEAR = 0.02  # share of the stroke within which an end sensor sees the piston
_DEAD = 0.12  # of the swept volume: ports, hose
_DRY = 0.06  # friction, as a share of the thrust


@dataclass(slots=True)
class Openings:
    """Sonic conductances in m³/(s·Pa): of the way out, and of the way back."""

    out: float
    back: float


class Cylinder:
    """One motion. It starts at home, without pressure in the chamber that pushes it out."""

    def __init__(self, spec: MotionSpec, openings: Openings | None = None) -> None:
        self.spec = spec
        self._out_m2 = math.pi / 4 * spec.bore_m**2 * spec.count
        self._back_m2 = self._out_m2 - math.pi / 4 * spec.rod_m**2 * spec.count
        thrust_n = spec.set_pa * self._out_m2
        self._load_n = 0.3 * thrust_n if spec.load_n is None else spec.load_n
        spring_n = 0.15 * thrust_n if spec.spring_n is None else spec.spring_n
        self._spring_n = 0.0 if spec.double else spring_n
        self._dry_n = _DRY * thrust_n
        self._viscous = 0.12 * thrust_n * spec.out_s / spec.stroke_m
        self.position_m = 0.0
        self.speed = 0.0
        self.slow = 1.0
        """How many times narrower its openings have become."""
        self._push_pa = ATMOSPHERE_PA
        self._pull_pa = ATMOSPHERE_PA + (spec.set_pa if spec.double else 0.0)
        self.openings = calibrated(spec) if openings is None else openings

    @property
    def is_out(self) -> bool:
        """Whether a sensor at the end of the stroke would see it."""
        return self.position_m >= (1.0 - _NEAR) * self.spec.stroke_m

    @property
    def is_home(self) -> bool:
        """Whether a sensor at home would see it."""
        return self.position_m <= _NEAR * self.spec.stroke_m

    def stand_out(self, supply_pa: float) -> None:
        """Puts it at the end of its stroke, under this pressure (absolute)."""
        self.position_m, self.speed = self.spec.stroke_m, 0.0
        self._push_pa, self._pull_pa = supply_pa, ATMOSPHERE_PA

    def is_settled(self, on: bool, supply_pa: float) -> bool:
        """Whether nothing would change with this valve and this supply (absolute)."""
        push, pull = self._feeds(on, supply_pa)
        if self._is_held(supply_pa):
            return True
        return (
            self.speed == 0.0
            and abs(self._push_pa - push) < 0.01 * push
            and (not self.spec.double or abs(self._pull_pa - pull) < 0.01 * pull)
        )

    def run(self, seconds: float, on: bool, supply_pa: float, step_s: float = STEP_S) -> float:
        """Moves for a time with the valve on or off; the air drawn from the supply, in m³."""
        drawn_m3 = 0.0
        steps = max(1, math.ceil(seconds / step_s - 1e-9))
        for _ in range(steps):
            drawn_m3 += self._step(seconds / steps, on, supply_pa)
        return drawn_m3

    def _feeds(self, on: bool, supply_pa: float) -> tuple[float, float]:
        return (supply_pa, ATMOSPHERE_PA) if on else (ATMOSPHERE_PA, supply_pa)

    def _is_held(self, supply_pa: float) -> bool:
        return self.spec.holds and supply_pa < ATMOSPHERE_PA * 1.3

    def _step(self, h: float, on: bool, supply_pa: float) -> float:
        if self._is_held(supply_pa):
            self.speed = 0.0
            return 0.0
        spec = self.spec
        opening = (self.openings.out if on else self.openings.back) / self.slow
        push_feed, pull_feed = self._feeds(on, supply_pa)
        push_in, push_gain = _exchange(
            opening, push_feed, self._push_pa, self._push_m3(), self._out_m2 * self.speed, h
        )
        self._push_pa = push_gain
        pull_in = 0.0
        if spec.double:
            # The side that vents has the wider way, as a valve's exhaust has.
            wide = opening * (1.6 if on else 1.0)
            pull_in, self._pull_pa = _exchange(
                wide, pull_feed, self._pull_pa, self._pull_m3(), -self._back_m2 * self.speed, h
            )
        self._move(h)
        drawn = push_in if on else pull_in
        return max(0.0, drawn) * h

    def _push_m3(self) -> float:
        return self._out_m2 * (self.position_m + _DEAD * self.spec.stroke_m)

    def _pull_m3(self) -> float:
        return self._back_m2 * ((1.0 + _DEAD) * self.spec.stroke_m - self.position_m)

    def _move(self, h: float) -> None:
        spec = self.spec
        share = self.position_m / spec.stroke_m
        force_n = (self._push_pa - ATMOSPHERE_PA) * self._out_m2 - self._load_n
        if spec.double:
            force_n -= (self._pull_pa - ATMOSPHERE_PA) * self._back_m2
        else:
            force_n -= self._spring_n * (0.6 + 0.4 * share)
        if self.speed == 0.0 and abs(force_n) <= self._dry_n:
            return
        against = math.copysign(self._dry_n, self.speed if self.speed else force_n)
        mass = spec.moving_kg
        # Viscous friction is taken at the end of the step, so that it never overshoots.
        speed = (self.speed + h * (force_n - against) / mass) / (1.0 + h * self._viscous / mass)
        if self.speed and speed * self.speed < 0.0 and abs(force_n) <= self._dry_n:
            speed = 0.0
        position = self.position_m + h * speed
        if position <= 0.0:
            position, speed = 0.0, 0.0
        elif position >= spec.stroke_m:
            position, speed = spec.stroke_m, 0.0
        self.position_m, self.speed = position, speed


def _exchange(
    opening: float, feed_pa: float, held_pa: float, volume_m3: float, swept: float, h: float
) -> tuple[float, float]:
    """Flow into a chamber (m³/s at atmospheric pressure), and its pressure after the step."""
    into = flow_m3_per_s(opening, feed_pa, held_pa) - flow_m3_per_s(opening, held_pa, feed_pa)
    change = h * (ATMOSPHERE_PA * into - held_pa * swept) / volume_m3
    new = held_pa + change
    # Flow alone never carries a chamber beyond what feeds it.
    filled = into > 0.0 and new > feed_pa and swept >= 0.0
    vented = into < 0.0 and new < feed_pa and swept <= 0.0
    if filled or vented:
        new = feed_pa
    return into, max(new, 0.2 * ATMOSPHERE_PA)


def stroke_s(
    spec: MotionSpec,
    openings: Openings,
    *,
    out: bool,
    longest_s: float = 8.0,
    step_s: float = STEP_S,
) -> float:
    """How long a stroke takes at set pressure; `inf` if it has not arrived by then."""
    supply_pa = spec.set_pa + ATMOSPHERE_PA
    cylinder = Cylinder(spec, openings)
    if not out:
        cylinder.stand_out(supply_pa)
    elapsed_s = 0.0
    while elapsed_s < longest_s:
        cylinder.run(step_s, out, supply_pa, step_s)
        elapsed_s += step_s
        if cylinder.is_out if out else cylinder.is_home:
            return elapsed_s
    return math.inf


def calibrated(spec: MotionSpec) -> Openings:
    """The openings with which both strokes last as described, as nearly as physics lets them."""

    def lasts(opening: float, *, out: bool, wanted_s: float) -> float:
        openings = Openings(opening, opening)
        # Coarser than it runs: what is looked for is good to a few percent at best.
        return stroke_s(spec, openings, out=out, longest_s=1.1 * wanted_s, step_s=0.001)

    return Openings(
        _opening(spec, lambda c: lasts(c, out=True, wanted_s=spec.out_s), spec.out_s),
        _opening(spec, lambda c: lasts(c, out=False, wanted_s=spec.back_s), spec.back_s),
    )


def _opening(spec: MotionSpec, lasts: Callable[[float], float], wanted_s: float) -> float:
    """Bisects the opening for a stroke time; the widest where even that is too slow."""
    swept_m3 = math.pi / 4 * spec.bore_m**2 * spec.count * spec.stroke_m
    about = swept_m3 / (ATMOSPHERE_PA * wanted_s)
    narrow, wide = about / 20, about * 20
    for _ in range(9):
        middle = math.sqrt(narrow * wide)
        if lasts(middle) > wanted_s:
            narrow = middle
        else:
            wide = middle
    return wide
