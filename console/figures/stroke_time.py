"""How long a stroke takes, out and back, from the prop's set pressure and its air's way.

A quasi-static fill model: both ends of the cylinder fill and empty as their restrictions allow for
the pressure that stands there at the moment, at room temperature; the pressures move the load
against weight, spring and friction. Wave travel, heat and the valve's own ramp are left out; its
switching time is added whole.

Sources: mass balance p V of each end, F = m a; flow as in `console.figures.flowpath`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from console.figures.air import ATMOSPHERE_PSIA, IN3_PER_FT3
from console.figures.cylinder import Acting, Cylinder
from console.figures.flowpath import HoseRestriction, Restriction, chain_flow_scfm
from console.figures.inputs import FigureError, above_zero, finite, not_negative
from console.figures.swing import GRAVITY_IN_PER_S2

# Pressure that a small cylinder needs only to move itself (makers' data, from memory).
FRICTION_PSI = 5.0
_LIGHTEST_LB = 0.5
# What a cylinder's ends and fittings hold at the least, as a share of what it sweeps.
_DEAD_SHARE = 0.05
_LONGEST_S = 20.0
_STEP_S = 2e-4
_TABLE = 48


@dataclass(frozen=True, slots=True)
class AirWay:
    """The way of air to one end of a cylinder and out of it.

    `hose_in3` is what lies between valve and cylinder and fills and empties with it.
    """

    fill: tuple[Restriction, ...]
    exhaust: tuple[Restriction, ...]
    hose_in3: float = 0.0


@dataclass(frozen=True, slots=True)
class Burden:
    """What a cylinder moves, in lbf along its rod, the same at every place of the stroke.

    `load_lbf` stands against the rod on its way out and helps it back (below 0 the other way
    round), `assist_lbf` helps it out and hinders it on the way back. A return spring pushes with
    `spring_lbf` at full stroke and `spring_rest_lbf` at none. `friction_lbf` hinders both ways;
    left out, it is 5 psi on the piston.
    """

    moving_lb: float
    load_lbf: float = 0.0
    assist_lbf: float = 0.0
    spring_lbf: float = 0.0
    spring_rest_lbf: float | None = None
    friction_lbf: float | None = None

    def __post_init__(self) -> None:
        not_negative("the moving weight", self.moving_lb)
        finite("the load", self.load_lbf)
        not_negative("the assist", self.assist_lbf)
        not_negative("the spring", self.spring_lbf)
        if self.spring_rest_lbf is not None:
            not_negative("the spring at rest", self.spring_rest_lbf)
        if self.friction_lbf is not None:
            not_negative("the friction", self.friction_lbf)


@dataclass(frozen=True, slots=True)
class Stroke:
    """One way: when the load first moves, when it arrives, and how fast it does."""

    starts_s: float
    arrives_s: float
    end_in_per_s: float


@dataclass(frozen=True, slots=True)
class StrokeTime:
    """Out and back; times run from the output's switching."""

    out: Stroke
    back: Stroke


def air_way(
    valve: Restriction,
    *,
    exhaust_valve: Restriction | None = None,
    hose: HoseRestriction | None = None,
    flow_control: Restriction | None = None,
    quick_exhaust: Restriction | None = None,
) -> AirWay:
    """Return the way through a valve, a hose and what is screwed into the cylinder.

    A flow control throttles only what leaves. A quick exhaust lets it out at the cylinder, past
    hose, flow control and valve.
    """
    tube = () if hose is None else (hose,)
    throttle = () if flow_control is None else (flow_control,)
    out = (*throttle, *tube, exhaust_valve or valve)
    return AirWay(
        fill=(valve, *tube),
        exhaust=out if quick_exhaust is None else (quick_exhaust,),
        hose_in3=0.0 if hose is None else hose.volume_in3,
    )


def stroke_time(
    cylinder: Cylinder,
    pressure_psi: float,
    burden: Burden,
    cap: AirWay,
    rod: AirWay | None = None,
    *,
    count: int = 1,
    switching_ms: float = 0.0,
) -> StrokeTime:
    """Return how long a motion takes out and back, from rest at either end, air settled.

    `cap` and `rod` are the ways to the two ends; without `rod` a double-acting cylinder has the
    same both ends. `count` equal cylinders share the ways and the load.

    Raises:
        FigureError: The pressure or the count is not above 0, or the forces cannot move the load
            all the way; the message says which way and what is missing.
    """
    above_zero("the pressure", pressure_psi)
    above_zero("the number of cylinders", count)
    delay_s = not_negative("the switching time", switching_ms) / 1000
    double = cylinder.acting is Acting.DOUBLE
    supply = pressure_psi + ATMOSPHERE_PSIA
    ends = _Ends(cylinder, burden, count, double)
    ends.check(pressure_psi)
    rod_way = (rod or cap) if double else None
    cap_end = _End(ends.cap_in2, cylinder.stroke_in, cap, supply)
    rod_end = None
    if rod_way is not None:
        rod_end = _End(ends.rod_in2, cylinder.stroke_in, rod_way, supply)
    return StrokeTime(
        out=_run(ends, cap_end, rod_end, out=True, delay_s=delay_s),
        back=_run(ends, cap_end, rod_end, out=False, delay_s=delay_s),
    )


class _Ends:
    """The forces of a motion by place and pressures."""

    def __init__(self, cylinder: Cylinder, burden: Burden, count: int, double: bool) -> None:
        self.stroke_in = cylinder.stroke_in
        self.cap_in2 = cylinder.piston_in2 * count
        self.rod_in2 = cylinder.annulus_in2 * count if double else 0.0
        friction = burden.friction_lbf
        self.friction = FRICTION_PSI * self.cap_in2 if friction is None else friction
        self._steady = burden.load_lbf - burden.assist_lbf
        rest = burden.spring_rest_lbf
        self._rest = burden.spring_lbf / 2 if rest is None else rest
        self._rate = (burden.spring_lbf - self._rest) / cylinder.stroke_in
        self.mass = max(burden.moving_lb, _LIGHTEST_LB) / GRAVITY_IN_PER_S2

    def against(self, place_in: float) -> float:
        """What pushes the rod in, friction aside."""
        return self._steady + self._rest + self._rate * place_in

    def check(self, pressure_psi: float) -> None:
        """Refuse what would never arrive."""
        places = (0.0, self.stroke_in)
        push = pressure_psi * self.cap_in2
        hardest = max(self.against(place) for place in places) + self.friction
        if push <= hardest:
            raise FigureError(
                f"it does not go out: {push:.3g} lbf of push against {hardest:.3g} lbf"
            )
        pull = pressure_psi * self.rod_in2
        weakest = pull + min(self.against(place) for place in places)
        if weakest <= self.friction:
            raise FigureError(
                f"it does not come back: {weakest:.3g} lbf against {self.friction:.3g} lbf of "
                "friction"
            )


class _End:
    """One end of a cylinder: its flow in and out, looked up by the pressure in it."""

    def __init__(self, area_in2: float, stroke_in: float, way: AirWay, supply: float) -> None:
        self.area_in2 = area_in2
        self.dead_in3 = _DEAD_SHARE * area_in2 * stroke_in + not_negative("a hose", way.hose_in3)
        self.supply = supply
        # Air that a moving load compresses can pass the supply for a moment.
        most = 4 * supply
        self._inflow = _tabulated(way.fill, lambda u: (supply, supply * (1 - u * u) + 1e-9), supply)
        span = most - ATMOSPHERE_PSIA
        outside = ATMOSPHERE_PSIA
        self._outflow = _tabulated(way.exhaust, lambda u: (outside + span * u * u, outside), span)

    def filled(self, psia: float, in3: float) -> float:
        """Air that comes in during a step, in psi in3; no more than fills it."""
        lack = self.supply - psia
        return min(_STEP_S * self._inflow(lack), max(lack, 0.0) * in3)

    def emptied(self, psia: float, in3: float) -> float:
        """Air that leaves during a step, in psi in3; no more than empties it."""
        excess = psia - ATMOSPHERE_PSIA
        return min(_STEP_S * self._outflow(excess), max(excess, 0.0) * in3)


def _tabulated(
    chain: Sequence[Restriction], pressures: Callable[[float], tuple[float, float]], span: float
) -> Callable[[float], float]:
    """Flow in psi in3 a second against a pressure difference.

    Flow goes with the root of the difference where that is small, so the table is even in it.
    """
    to_volume = ATMOSPHERE_PSIA * IN3_PER_FT3 / 60
    rows = [
        chain_flow_scfm(chain, *pressures(i / _TABLE)) * to_volume if i else 0.0
        for i in range(_TABLE + 1)
    ]
    rows.append(rows[-1])

    def flow(difference: float) -> float:
        if difference <= 0:
            return 0.0
        place = min(math.sqrt(difference / span), 1.0) * _TABLE
        row = int(place)
        return rows[row] + (rows[row + 1] - rows[row]) * (place - row)

    return flow


def _run(ends: _Ends, cap: _End, rod: _End | None, *, out: bool, delay_s: float) -> Stroke:
    """Step both ends' air and the load together until it arrives."""
    supply, outside = cap.supply, ATMOSPHERE_PSIA
    stroke, mass, friction = ends.stroke_in, ends.mass, ends.friction
    place, goal, way = (0.0, stroke, 1.0) if out else (stroke, 0.0, -1.0)
    cap_psia, rod_psia = (outside, supply) if out else (supply, outside)
    cap_air = cap_psia * (cap.dead_in3 + cap.area_in2 * place)
    rod_air = 0.0 if rod is None else rod_psia * (rod.dead_in3 + rod.area_in2 * (stroke - place))
    speed, time_s, starts_s = 0.0, 0.0, -1.0
    while time_s < _LONGEST_S:
        cap_in3 = cap.dead_in3 + cap.area_in2 * place
        cap_air += cap.filled(cap_psia, cap_in3) if out else -cap.emptied(cap_psia, cap_in3)
        cap_psia = cap_air / cap_in3
        force = (cap_psia - outside) * cap.area_in2 - ends.against(place)
        if rod is not None:
            rod_in3 = rod.dead_in3 + rod.area_in2 * (stroke - place)
            rod_air += -rod.emptied(rod_psia, rod_in3) if out else rod.filled(rod_psia, rod_in3)
            rod_psia = rod_air / rod_in3
            force -= (rod_psia - outside) * rod.area_in2
        time_s += _STEP_S
        if speed == 0 and abs(force) <= friction:
            continue
        before = speed
        speed += _STEP_S * (force - math.copysign(friction, speed or force)) / mass
        if before and speed * before < 0:
            speed = 0.0
        place += _STEP_S * speed
        if place * way < (stroke - goal) * way:
            place, speed = stroke - goal, 0.0
        elif speed and starts_s < 0:
            starts_s = time_s
        if (place - goal) * way >= 0:
            late = (place - goal) / speed
            return Stroke(starts_s + delay_s, time_s - late + delay_s, abs(speed))
    raise FigureError(f"it has not arrived after {_LONGEST_S:g} s: its air flows too slowly")
