"""Cylinders and air of the plant, against published values, an independent integrator and sense."""

from __future__ import annotations

import dataclasses
import math

import pytest
from scipy.integrate import solve_ivp

from drivers.simulated.air import Tank, flow_m3_per_s
from drivers.simulated.cylinder import Cylinder, Openings, calibrated, stroke_s
from drivers.simulated.description import ATMOSPHERE_PA, SCFM_M3_PER_S, AirSpec, MotionSpec

PSI_PA = 6894.757
INCH_M = 0.0254
GALLON_M3 = 231 * INCH_M**3
SINGLE = MotionSpec("a", 1, out_s=0.35, back_s=0.5)
DOUBLE = MotionSpec("a", 1, out_s=0.42, back_s=0.6, double=True, load_n=130.0, moving_kg=6.4)


@pytest.mark.parametrize(
    ("down_bar", "litres_per_minute"), [(4.0, 419.9), (1.5, 600.0), (0.0, 600.0)]
)
def test_flow_is_that_of_iso_6358(down_bar: float, litres_per_minute: float) -> None:
    """ISO 6358, C 2 dm³/(s·bar), b 0.3, 5 bar absolute: 419.9 L/min to 4 bar, 600 choked."""
    conductance = 2e-3 / 1e5
    flow = flow_m3_per_s(conductance, 5e5, down_bar * 1e5)
    assert flow * 60_000 == pytest.approx(litres_per_minute, abs=0.1)


def test_flow_ends_where_pressures_meet() -> None:
    """No flow backwards, none at equal pressures, and no jump near them."""
    assert flow_m3_per_s(1e-8, 5e5, 5e5) == 0.0
    assert flow_m3_per_s(1e-8, 4e5, 5e5) == 0.0
    just_below = flow_m3_per_s(1e-8, 5e5, 0.98999 * 5e5)
    just_above = flow_m3_per_s(1e-8, 5e5, 0.99001 * 5e5)
    assert just_above == pytest.approx(just_below, rel=2e-3)


def air_of_a_stroke(spec: MotionSpec) -> float:
    """What one stroke out draws from the supply, in m³ at atmospheric pressure."""
    cylinder = Cylinder(spec)
    return cylinder.run(3.0, True, spec.set_pa + ATMOSPHERE_PA)


def test_a_stroke_uses_the_published_air() -> None:
    """1.5 in by 6 in at 100 psig, 60 strokes/min: 2.8726 scfm (US DOE / ORNL MEASUR, exact π/4).

    That figure has no dead volume; what fills it is taken off here.
    """
    spec = MotionSpec(
        "a", 1, 0.4, 0.5, bore_m=1.5 * INCH_M, stroke_m=6 * INCH_M, set_pa=100 * PSI_PA
    )
    swept = math.pi / 4 * spec.bore_m**2 * spec.stroke_m
    dead = 0.12 * swept * spec.set_pa / ATMOSPHERE_PA
    scfm = (air_of_a_stroke(spec) - dead) / SCFM_M3_PER_S
    assert scfm == pytest.approx(2.8726138, rel=5e-3)


@pytest.mark.parametrize("spec", [SINGLE, DOUBLE])
def test_air_is_neither_made_nor_lost(spec: MotionSpec) -> None:
    """What was drawn is what the chamber holds more than before (isothermal)."""
    area = math.pi / 4 * spec.bore_m**2
    chamber = area * spec.stroke_m * 1.12
    before = area * spec.stroke_m * 0.12
    held = (chamber * (spec.set_pa + ATMOSPHERE_PA) - before * ATMOSPHERE_PA) / ATMOSPHERE_PA
    assert air_of_a_stroke(spec) == pytest.approx(held, rel=5e-3)


@pytest.mark.parametrize("spec", [SINGLE, DOUBLE])
def test_strokes_last_as_described(spec: MotionSpec) -> None:
    """The openings found give both strokes their time, to a few percent."""
    openings = calibrated(spec)
    assert stroke_s(spec, openings, out=True) == pytest.approx(spec.out_s, rel=0.04)
    assert stroke_s(spec, openings, out=False) == pytest.approx(spec.back_s, rel=0.04)


@pytest.mark.parametrize("spec", [SINGLE, DOUBLE])
def test_an_independent_integrator_agrees(spec: MotionSpec) -> None:
    """The same equations in scipy's LSODA give the same stroke time within 3 %."""
    openings = calibrated(spec)
    supply = spec.set_pa + ATMOSPHERE_PA
    area, back = math.pi / 4 * spec.bore_m**2, math.pi / 4 * (spec.bore_m**2 - spec.rod_m**2)
    thrust = spec.set_pa * area
    load = 0.3 * thrust if spec.load_n is None else spec.load_n
    viscous = 0.12 * thrust * spec.out_s / spec.stroke_m
    dead = 0.12 * spec.stroke_m

    def slopes(_t: float, y: list[float]) -> list[float]:
        x, v, push, pull = y
        into = flow_m3_per_s(openings.out, supply, push) - flow_m3_per_s(openings.out, push, supply)
        push_rate = (ATMOSPHERE_PA * into - push * area * v) / (area * (x + dead))
        force = (push - ATMOSPHERE_PA) * area - load
        pull_rate = 0.0
        if spec.double:
            out = flow_m3_per_s(1.6 * openings.out, pull, ATMOSPHERE_PA)
            pull_rate = (-ATMOSPHERE_PA * out + pull * back * v) / (
                back * (spec.stroke_m + dead - x)
            )
            force -= (pull - ATMOSPHERE_PA) * back
        else:
            force -= 0.15 * thrust * (0.6 + 0.4 * x / spec.stroke_m)
        dry = 0.06 * thrust
        if v <= 0.0 and force <= dry:
            return [0.0, 0.0, push_rate, pull_rate]
        return [v, (force - dry - viscous * v) / spec.moving_kg, push_rate, pull_rate]

    def arrived(_t: float, y: list[float]) -> float:
        return y[0] - 0.98 * spec.stroke_m

    arrived.terminal = True  # type: ignore[attr-defined]
    start = [0.0, 0.0, ATMOSPHERE_PA, supply if spec.double else ATMOSPHERE_PA]
    solved = solve_ivp(
        slopes, (0.0, 3.0), start, method="LSODA", events=arrived, rtol=1e-7, max_step=1e-3
    )
    assert solved.t_events[0].size == 1
    assert stroke_s(spec, openings, out=True) == pytest.approx(solved.t_events[0][0], rel=0.03)


def test_less_pressure_is_slower() -> None:
    """At falling supply the stroke takes longer and longer, until it doesn't come."""
    openings = calibrated(SINGLE)
    times = []
    for share in (1.0, 0.8, 0.65):
        cylinder = Cylinder(SINGLE, openings)
        supply = share * SINGLE.set_pa + ATMOSPHERE_PA
        elapsed = 0.0
        while not cylinder.is_out and elapsed < 5.0:
            cylinder.run(0.001, True, supply)
            elapsed += 0.001
        times.append(elapsed)
    assert times[0] < times[1] < times[2] < 5.0
    weak = Cylinder(SINGLE, openings)
    weak.run(5.0, True, 0.3 * SINGLE.set_pa + ATMOSPHERE_PA)
    assert weak.is_home
    assert weak.is_settled(True, 0.3 * SINGLE.set_pa + ATMOSPHERE_PA)


def test_a_narrowed_valve_is_slower() -> None:
    """Twice as narrow takes about twice as long."""
    openings = calibrated(SINGLE)
    narrow = Openings(openings.out / 2, openings.back / 2)
    ratio = stroke_s(SINGLE, narrow, out=True) / stroke_s(SINGLE, openings, out=True)
    assert 1.6 < ratio < 2.2


def test_without_air_a_load_falls_or_is_held() -> None:
    """Out, the supply dumped and the valve off: home again, unless its valve holds it."""
    for holds in (False, True):
        spec = dataclasses.replace(SINGLE, holds=holds)
        cylinder = Cylinder(spec)
        cylinder.run(1.0, True, spec.set_pa + ATMOSPHERE_PA)
        assert cylinder.is_out
        cylinder.run(3.0, False, ATMOSPHERE_PA)
        assert cylinder.is_out is holds
        assert cylinder.is_home is not holds


@pytest.mark.parametrize(
    ("supply_scfm", "gallons"), [pytest.param(0.0, 660, id="no-supply"), (5.0, 495)]
)
def test_a_tank_lasts_as_published(supply_scfm: float, gallons: float) -> None:
    """20 scfm for 6 min from 100 to 80 psig: 660 gal, with 5 scfm coming in 495 (Esposito 13-7)."""
    spec = AirSpec(
        tank_m3=gallons * GALLON_M3,
        cut_in_pa=200 * PSI_PA,
        cut_out_pa=201 * PSI_PA,
        delivers_m3_per_s=supply_scfm * SCFM_M3_PER_S,
        leak_m3_per_s=0.0,
    )
    tank = Tank(spec)
    tank.absolute_pa = 100 * PSI_PA + ATMOSPHERE_PA
    for _ in range(360):
        tank.take(20 * SCFM_M3_PER_S)
        tank.run(1.0)
    assert tank.gauge_pa / PSI_PA == pytest.approx(80.0, abs=0.1)


def test_the_compressor_has_two_set_points() -> None:
    """It starts below the lower, runs to the upper, and rests in between."""
    spec = AirSpec(leak_m3_per_s=0.0)
    tank = Tank(spec)
    tank.run(1.0)
    assert not tank.running
    tank.absolute_pa = (spec.cut_in_pa + spec.cut_out_pa) / 2 + ATMOSPHERE_PA
    tank.run(1.0)
    assert not tank.running
    tank.absolute_pa = spec.cut_in_pa - 1000 + ATMOSPHERE_PA
    tank.run(1.0)
    assert tank.running
    seconds = 0
    while tank.running:
        tank.run(1.0)
        seconds += 1
    rise = (spec.cut_out_pa - spec.cut_in_pa) * spec.tank_m3 / ATMOSPHERE_PA
    assert seconds == pytest.approx(rise / spec.delivers_m3_per_s, abs=3)


def test_a_leak_empties_the_tank() -> None:
    """A leak greater than the compressor delivers wins."""
    spec = AirSpec()
    tank = Tank(spec)
    tank.extra_leak_m3_per_s = 3 * spec.delivers_m3_per_s
    for _ in range(3600):
        tank.run(1.0)
    assert tank.gauge_pa < spec.cut_in_pa
    assert tank.absolute_pa >= ATMOSPHERE_PA
