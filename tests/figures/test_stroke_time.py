"""Stroke times against limits that need no model, and against another integration in SI units."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from console.figures.cylinder import Acting, Cylinder
from console.figures.flowpath import CvRestriction, HoseRestriction, SonicRestriction
from console.figures.inputs import FigureError
from console.figures.stroke_time import Burden, StrokeTime, air_way, stroke_time

WIDE = CvRestriction(500)
DOUBLE = Cylinder(1.5, 6, 0.5, Acting.DOUBLE)
LID = Burden(moving_lb=10, load_lbf=10)

INCH, LBF, PSI = 0.0254, 4.4482216, 6894.757
OUTSIDE = 14.7 * PSI


def test_without_restriction_it_falls_as_newton_says() -> None:
    """With air enough at once, time is sqrt(2 s m / F) and end speed sqrt(2 s F / m)."""
    burden = Burden(moving_lb=20, load_lbf=30, friction_lbf=5)
    got = stroke_time(Cylinder(1.5, 6), 80, burden, air_way(WIDE)).out
    net, mass = 80 * math.pi / 4 * 1.5**2 - 35, 20 / 386.0886
    assert got.arrives_s == pytest.approx(math.sqrt(2 * 6 * mass / net), rel=0.05)
    assert got.end_in_per_s == pytest.approx(math.sqrt(2 * 6 * net / mass), rel=0.05)


def test_a_throttled_exhaust_sets_the_speed() -> None:
    """Metered out slowly, speed is choked outflow over area: the air that leaves makes the room."""
    throttle = SonicRestriction(0.02, 0.3)
    got = stroke_time(DOUBLE, 80, LID, air_way(CvRestriction(1), flow_control=throttle))
    # Choked, C p leaves in volumes of 1 bar while the piston clears A v at p: v = C (1 bar) / A.
    speed = 0.02e6 * (1 / 25.4) ** 3 / (math.pi / 4 * (1.5**2 - 0.5**2))
    travel = got.out.arrives_s - got.out.starts_s
    assert 6 / travel == pytest.approx(speed, rel=0.05)


class _Si:
    """The same plant in SI units with its own flow law, stepped by a variable-step solver."""

    def __init__(self, conductance: float, critical: float, pressure_psi: float) -> None:
        self.c = conductance * 1e-8  # dm3/(s bar) in m3/(s Pa)
        self.b = critical
        self.supply = OUTSIDE + pressure_psi * PSI
        self.cap = math.pi / 4 * (1.5 * INCH) ** 2
        self.rod = self.cap - math.pi / 4 * (0.5 * INCH) ** 2
        self.stroke = 6 * INCH
        self.mass = 10 * 0.45359237
        self.load = 10 * LBF
        self.friction = 5 * PSI * self.cap

    def flow(self, up: float, down: float) -> float:
        """Pressure times volume a second, at 1 bar reference."""
        if up <= down:
            return 0.0
        over = max(down / up - self.b, 0) / (1 - self.b)
        return self.c * up * math.sqrt(max(1 - over**2, 0)) * 1e5

    def volumes(self, x: float) -> tuple[float, float]:
        dead = 0.05 * self.stroke
        return self.cap * (dead + x), self.rod * (dead + self.stroke - x)

    def out(self) -> tuple[float, float]:
        """Time of arrival and speed there."""

        def slope(_: float, y: list[float]) -> list[float]:
            x, v, cap_air, rod_air = y
            cap_m3, rod_m3 = self.volumes(max(x, 0))
            cap_pa, rod_pa = cap_air / cap_m3, rod_air / rod_m3
            force = (cap_pa - OUTSIDE) * self.cap - (rod_pa - OUTSIDE) * self.rod - self.load
            # A steep but smooth friction, so that the solver never meets a corner.
            force -= self.friction * math.tanh(v / 1e-3)
            if x <= 0 and force < 0:
                v, force = 0.0, 0.0
            inflow, outflow = self.flow(self.supply, cap_pa), self.flow(rod_pa, OUTSIDE)
            return [v, force / self.mass, inflow, -outflow]

        def arrived(_: float, y: list[float]) -> float:
            return y[0] - self.stroke

        arrived.terminal = True  # type: ignore[attr-defined]
        cap_m3, rod_m3 = self.volumes(0)
        start = [0.0, 0.0, OUTSIDE * cap_m3, self.supply * rod_m3]
        solved = solve_ivp(slope, (0, 10), start, "LSODA", events=arrived, rtol=1e-7, max_step=1e-3)
        return float(solved.t[-1]), float(solved.y[1][-1]) / INCH


@pytest.mark.parametrize("conductance", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("psi", [40, 80])
def test_another_integration_agrees(conductance: float, psi: float) -> None:
    """A variable-step solver on the same equations, written again in SI, arrives as early."""
    got = stroke_time(DOUBLE, psi, LID, air_way(SonicRestriction(conductance, 0.3))).out
    arrives_s, speed = _Si(conductance, 0.3, psi).out()
    assert got.arrives_s == pytest.approx(arrives_s, rel=0.03)
    assert got.end_in_per_s == pytest.approx(speed, rel=0.08)


def _times(cv: float = 0.5, psi: float = 80, burden: Burden = LID, **way: object) -> StrokeTime:
    return stroke_time(DOUBLE, psi, burden, air_way(CvRestriction(cv), **way))  # type: ignore[arg-type]


def test_what_slows_and_what_quickens() -> None:
    """Hose, throttle, weight and load slow a stroke; quick exhaust and pressure quicken it."""
    plain = _times()
    assert _times(hose=HoseRestriction(0.17, 15)).out.arrives_s > plain.out.arrives_s
    assert _times(flow_control=CvRestriction(0.05)).out.arrives_s > 2 * plain.out.arrives_s
    assert _times(burden=replace(LID, load_lbf=60)).out.arrives_s > plain.out.arrives_s
    assert _times(burden=replace(LID, load_lbf=60)).back.arrives_s < plain.back.arrives_s
    assert _times(burden=replace(LID, moving_lb=80)).out.arrives_s > plain.out.arrives_s
    assert _times(quick_exhaust=CvRestriction(2)).out.arrives_s < plain.out.arrives_s
    assert _times(exhaust_valve=CvRestriction(0.2)).out.arrives_s > plain.out.arrives_s
    assert _times(psi=100).out.arrives_s < plain.out.arrives_s
    two = stroke_time(DOUBLE, 80, LID, air_way(CvRestriction(0.5)), count=2)
    assert two.out.arrives_s > plain.out.arrives_s


def test_the_valves_switching_time_is_added_whole() -> None:
    """Twenty milliseconds of switching delay everything by twenty milliseconds."""
    way = air_way(CvRestriction(0.5))
    plain, late = (stroke_time(DOUBLE, 80, LID, way, switching_ms=ms) for ms in (0, 20))
    assert late.out.starts_s - plain.out.starts_s == pytest.approx(0.02)
    assert late.back.arrives_s - plain.back.arrives_s == pytest.approx(0.02)


def test_a_spring_or_the_load_brings_a_single_acting_cylinder_back() -> None:
    """A stronger spring comes back sooner and goes out later; the load alone does it too."""
    way = air_way(CvRestriction(0.3), hose=HoseRestriction(0.17, 6))
    weak, strong = (
        stroke_time(Cylinder(0.75, 2), 80, Burden(3, spring_lbf=lbf), way) for lbf in (7, 14)
    )
    assert strong.back.arrives_s < weak.back.arrives_s
    assert strong.out.arrives_s > weak.out.arrives_s
    assert stroke_time(Cylinder(0.75, 2), 80, Burden(3, load_lbf=6), way).back.arrives_s > 0


@settings(max_examples=30)
@given(st.floats(0.05, 3), st.floats(0.1, 1), st.floats(50, 120), st.floats(1, 60))
def test_more_valve_is_never_slower(cv: float, share: float, psi: float, weight: float) -> None:
    """A larger valve arrives sooner, and every time is above 0."""
    burden = Burden(weight, load_lbf=weight / 2)
    small, large = (
        stroke_time(DOUBLE, psi, burden, air_way(CvRestriction(size))) for size in (cv * share, cv)
    )
    for one, other in ((small.out, large.out), (small.back, large.back)):
        assert 0 < other.starts_s <= other.arrives_s <= one.arrives_s + 1e-3
        assert math.isfinite(one.end_in_per_s)


@pytest.mark.parametrize(
    ("psi", "burden", "says"),
    [
        (10, Burden(5, load_lbf=60), "does not go out: 17.7 lbf of push against 68.8 lbf"),
        (60, Burden(5), "does not come back: 0 lbf against 8.84 lbf of friction"),
        (60, Burden(5, load_lbf=20, assist_lbf=40), "does not come back"),
        (0, Burden(5, load_lbf=10), "must be above 0"),
    ],
)
def test_what_never_arrives_is_refused(psi: float, burden: Burden, says: str) -> None:
    """Too little force either way is an error that names the forces."""
    with pytest.raises(FigureError, match=says):
        stroke_time(Cylinder(1.5, 6), psi, burden, air_way(CvRestriction(0.5)))


def test_air_that_hardly_flows_is_refused() -> None:
    """A throttle that is as good as shut ends in an error, not in a wait."""
    with pytest.raises(FigureError, match="flows too slowly"):
        _times(flow_control=CvRestriction(1e-4))


@pytest.mark.parametrize(
    "make",
    [
        lambda: Burden(-1),
        lambda: Burden(1, load_lbf=math.nan),
        lambda: Burden(1, assist_lbf=-1),
        lambda: Burden(1, spring_lbf=-1),
        lambda: Burden(1, spring_rest_lbf=-1),
        lambda: Burden(1, friction_lbf=-1),
        lambda: stroke_time(DOUBLE, 80, LID, air_way(WIDE), count=0),
        lambda: stroke_time(DOUBLE, 80, LID, air_way(WIDE), switching_ms=-1),
    ],
)
def test_impossible_burdens_are_refused(make: object) -> None:
    """Negative weights, springs and times are refused."""
    assert callable(make)
    with pytest.raises(FigureError):
        make()
