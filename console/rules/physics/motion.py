"""Every figure of one motion, from what the site file says of it.

What a figure needs and the file leaves out makes that figure None. Pressures are gauge.
"""

from __future__ import annotations

from dataclasses import dataclass

from console.figures import air, coil, stroke_time
from console.figures.cylinder import Acting, Cylinder
from console.figures.flowpath import (
    CvRestriction,
    HoseRestriction,
    Restriction,
    SonicRestriction,
)
from console.figures.force import FAST_MARGIN, SLOW_MARGIN, forces, margin
from console.figures.inputs import FigureError
from console.figures.stroke_time import AirWay, Burden, StrokeTime
from console.site.models import Cylinder as SiteCylinder
from console.site.models import Hose, Motion, Prop, Supply, Valve

RESPONSE_MS = 20.0
"""From current to air in a small pilot valve whose maker's figure is not given (from memory)."""
QUICK_EXHAUST_CV = 1.5
"""Of a quick exhaust with quarter-inch ports (from memory)."""


@dataclass(frozen=True, slots=True)
class Load:
    """What the rod pushes out against, in lbf at its worst."""

    load_lbf: float
    spring_lbf: float
    assist_lbf: float

    @property
    def net_lbf(self) -> float:
        """Load and spring, less what helps."""
        return self.load_lbf + self.spring_lbf - self.assist_lbf


@dataclass(frozen=True, slots=True)
class Pushing:
    """Force of all cylinders on the valve against the load, friction not taken off."""

    push_lbf: float
    pull_lbf: float
    load: Load
    margin: float
    needed: float

    @property
    def enough(self) -> bool:
        """Whether the margin is what such a motion needs."""
        return self.margin >= self.needed


@dataclass(frozen=True, slots=True)
class StrokeAir:
    """Free air of one whole stroke out and one back, all cylinders and their hose."""

    out_scf: float
    back_scf: float


@dataclass(frozen=True, slots=True)
class Figures:
    """All of them; None where the file does not say enough."""

    pressure_psi: float
    pushing: Pushing | None
    air: StrokeAir
    time: StrokeTime | None
    stuck: str = ""
    """Why the stroke never ends, where it does not."""


def pressure_of(prop: Prop) -> float | None:
    """The pressure that the prop works at: its set pressure, else the least it needs."""
    return prop.set_pressure_psi or prop.min_pressure_psi


def cylinder_of(fitted: SiteCylinder) -> Cylinder:
    """The cylinder of the site file as the figures take it.

    Raises:
        FigureError: No cylinder can have these dimensions.
    """
    return Cylinder(
        fitted.bore_in, fitted.stroke_in, fitted.rod_in or 0.0, Acting(fitted.acting.value)
    )


def load_of(fitted: SiteCylinder) -> Load:
    """What stands against the rod; what the file leaves out counts as nothing."""
    return Load(fitted.load_lbf or 0.0, fitted.spring_lbf or 0.0, fitted.assist_lbf or 0.0)


def needed_margin(motion: Motion) -> float:
    """How many times its load a motion's force must be."""
    return FAST_MARGIN if motion.fast else SLOW_MARGIN


def pushing_of(motion: Motion, pressure_psi: float) -> Pushing | None:
    """Force and margin; None without a cylinder or a load.

    Raises:
        FigureError: No cylinder can have these dimensions.
    """
    fitted = motion.cylinder
    if fitted is None:
        return None
    both = forces(cylinder_of(fitted), pressure_psi)
    push = both.push_lbf * fitted.count
    load = load_of(fitted)
    if fitted.load_lbf is None and fitted.spring_lbf is None:
        return None
    return Pushing(
        push, both.pull_lbf * fitted.count, load, margin(push, load.net_lbf), needed_margin(motion)
    )


def air_of(motion: Motion, pressure_psi: float) -> StrokeAir | None:
    """Free air of a stroke out and of one back; None without a cylinder.

    Raises:
        FigureError: No cylinder can have these dimensions.
    """
    fitted = motion.cylinder
    if fitted is None:
        return None
    hose = motion.hose
    hose_in3 = air.hose_volume_in3(hose.inside_in, hose.length_ft * 12) if hose else 0.0
    one = air.cycle_air(cylinder_of(fitted), pressure_psi, hose_in3=hose_in3 / fitted.count)
    return StrokeAir(one.out_scf * fitted.count, one.back_scf * fitted.count)


def way_of(valve: Valve, hose: Hose | None) -> AirWay | None:
    """The air's way to the cylinder and out; None where the valve's flow is not given."""
    fill = _restriction(valve)
    if fill is None:
        return None
    control = valve.flow_control_cv
    return stroke_time.air_way(
        fill,
        exhaust_valve=CvRestriction(valve.exhaust_cv) if valve.exhaust_cv else None,
        hose=HoseRestriction(hose.inside_in, hose.length_ft) if hose else None,
        flow_control=CvRestriction(control) if control else None,
        quick_exhaust=CvRestriction(QUICK_EXHAUST_CV) if valve.quick_exhaust else None,
    )


def time_of(motion: Motion, pressure_psi: float) -> StrokeTime | None:
    """Stroke times out and back; None where cylinder, load, mass or valve are not given.

    Raises:
        FigureError: The motion never arrives; the message says which way and why.
    """
    fitted, valve = motion.cylinder, motion.valve
    if fitted is None or valve is None or fitted.moving_lb is None:
        return None
    way = way_of(valve, motion.hose)
    if way is None:
        return None
    load = load_of(fitted)
    return stroke_time.stroke_time(
        cylinder_of(fitted),
        pressure_psi,
        Burden(fitted.moving_lb, load.load_lbf, load.assist_lbf, load.spring_lbf),
        way,
        count=fitted.count,
        switching_ms=RESPONSE_MS if valve.response_ms is None else valve.response_ms,
    )


def figures_of(motion: Motion, pressure_psi: float) -> Figures | None:
    """All figures of a motion; None without a cylinder.

    Raises:
        FigureError: No cylinder can have these dimensions.
    """
    used = air_of(motion, pressure_psi)
    if used is None:
        return None
    stuck, times = "", None
    try:
        times = time_of(motion, pressure_psi)
    except FigureError as error:
        stuck = str(error)
    return Figures(pressure_psi, pushing_of(motion, pressure_psi), used, times, stuck)


def coil_current_a(motion: Motion) -> float | None:
    """What its coil draws at its own voltage; None where power or voltage are not given."""
    valve = motion.valve
    if valve is None or not valve.coil_w or not valve.voltage_v:
        return None
    return coil.current_a(valve.coil_w, valve.voltage_v)


def coil_voltage_v(motion: Motion, supply: Supply) -> float | None:
    """What reaches its coil through its own wire; None where the file does not say enough."""
    current = coil_current_a(motion)
    if current is None or motion.wire is None:
        return None
    drop = coil.wire_drop_v(motion.wire.awg, motion.wire.length_ft, current)
    return supply.voltage_v - drop


def _restriction(valve: Valve) -> Restriction | None:
    if valve.conductance is not None:
        if valve.critical_ratio is None:
            return SonicRestriction(valve.conductance)
        return SonicRestriction(valve.conductance, valve.critical_ratio)
    return None if valve.cv is None else CvRestriction(valve.cv)
