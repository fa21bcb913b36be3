"""Round trips, monotony and limits of the figures for air, force and swing."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from console.figures.air import cycle_air, hose_volume_in3, rankine
from console.figures.cylinder import Acting, Cylinder
from console.figures.force import (
    SpringAssist,
    forces,
    hinge_moment_lbf_in,
    lift_load_lbf,
    margin,
    spring_moment_lbf_in,
)
from console.figures.inputs import FigureError
from console.figures.leak import bleed_down_cfm, load_unload_percent, orifice_scfm
from console.figures.receiver import pump_up_minutes, receiver_ft3, usable_scf
from console.figures.swing import (
    force_through,
    impact_energy_ft_lbf,
    radius_for,
    swing,
    swing_energy_ft_lbf,
    turn_at,
)
from console.figures.valve import conductance_flow_lpm, cv_flow_scfm, cv_for

lengths = st.floats(0.1, 100)
pressures = st.floats(0, 200)


@given(lengths, lengths, st.floats(0, 0.95), pressures)
def test_a_double_acting_cylinder_uses_more_than_one_and_less_than_two_strokes(
    bore: float, stroke: float, share: float, psi: float
) -> None:
    """The rod's side uses air, but less than the other."""
    single = cycle_air(Cylinder(bore, stroke), psi)
    double = cycle_air(Cylinder(bore, stroke, bore * share, Acting.DOUBLE), psi)
    assert double.out_scf == single.per_cycle_scf
    assert 0 < double.back_scf <= double.out_scf
    assert single.back_scf == 0


@given(lengths, lengths, pressures, st.floats(0.1, 50), st.floats(0.01, 100))
def test_more_pressure_needs_more_air(
    bore: float, stroke: float, psi: float, more: float, hose: float
) -> None:
    """Air rises with pressure; a hose adds to it, but nothing where there is no pressure."""
    cylinder = Cylinder(bore, stroke)
    low = cycle_air(cylinder, psi, hose_in3=hose).per_cycle_scf
    assert cycle_air(cylinder, psi + more, hose_in3=hose).per_cycle_scf > low
    assert low >= cycle_air(cylinder, psi).per_cycle_scf
    plain = cycle_air(cylinder, 0, hose_in3=hose).per_cycle_scf
    assert plain == pytest.approx(cylinder.piston_in2 * stroke / 1728)


@given(lengths, st.floats(0, 0.95), pressures)
def test_pull_is_push_less_the_rod(bore: float, share: float, psi: float) -> None:
    """Push and pull differ by the pressure on the rod's area."""
    both = forces(Cylinder(bore, 1, bore * share), psi)
    rod = psi * math.pi / 4 * (bore * share) ** 2
    assert both.push_lbf - both.pull_lbf == pytest.approx(rod, rel=1e-9, abs=1e-9)


@given(st.floats(1, 1000), st.floats(1, 200), st.floats(0.1, 0.9))
def test_a_receiver_gives_what_it_was_sized_for(minutes: float, use: float, share: float) -> None:
    """Size and usable air are each other's inverse."""
    supply = use * share
    volume = receiver_ft3(minutes, use, supply, 110, 90)
    assert usable_scf(volume, 110, 90) == pytest.approx(minutes * (use - supply))
    assert pump_up_minutes(volume, 90, 110, use - supply) == pytest.approx(minutes)


@given(st.floats(1, 1000), st.floats(20, 150), st.floats(1, 19), st.floats(0.1, 100))
def test_a_slower_fall_is_a_smaller_leak(
    volume: float, high: float, fall: float, minutes: float
) -> None:
    """Twice the time is half the leak."""
    leak = bleed_down_cfm(volume, high, high - fall, minutes)
    assert bleed_down_cfm(volume, high, high - fall, 2 * minutes) == pytest.approx(leak / 2)


@given(st.floats(0, 1e4), st.floats(0, 1e4))
def test_leak_share_stays_a_share(on: float, off: float) -> None:
    """The share lies between 0 and 100 %."""
    assume(on + off > 0)
    assert 0 <= load_unload_percent(on, off) <= 100


@given(st.floats(0.01, 10), st.floats(0, 150), st.floats(0, 1), st.floats(0, 1))
def test_valve_flow_rises_with_the_drop(cv: float, up: float, one: float, two: float) -> None:
    """More drop never passes less air, across the choking point too."""
    less, more = sorted((one, two))
    assert cv_flow_scfm(cv, up, up * (1 - less)) <= cv_flow_scfm(cv, up, up * (1 - more))


@given(st.floats(0.1, 20), st.floats(0, 0.9), st.floats(1, 12), st.floats(0, 1), st.floats(0, 1))
def test_sonic_flow_rises_with_the_drop(
    conductance: float, critical: float, up: float, one: float, two: float
) -> None:
    """More drop never passes less air, and choked flow is the most."""
    low, high = sorted((one, two))
    most = conductance_flow_lpm(conductance, critical, up, 0)
    wide = conductance_flow_lpm(conductance, critical, up, up * low)
    narrow = conductance_flow_lpm(conductance, critical, up, up * high)
    assert 0 <= narrow <= wide <= most
    assert conductance_flow_lpm(conductance, critical, up, up) == 0


@given(st.floats(0.01, 20), st.floats(20, 150), st.floats(0.1, 9))
def test_cv_for_a_flow_passes_it(cv: float, up: float, drop: float) -> None:
    """Sizing and flow are each other's inverse."""
    assert cv_for(cv_flow_scfm(cv, up, up - drop), up, drop) == pytest.approx(cv)


@given(st.floats(0.01, 100), st.floats(0.5, 180))
def test_chord_gives_the_stroke_back(stroke: float, angle: float) -> None:
    """Twice the radius times the half angle's sine is the stroke."""
    radius = radius_for(stroke, angle)
    assert 2 * radius * math.sin(math.radians(angle / 2)) == pytest.approx(stroke)
    assert radius >= stroke / 2


@given(lengths, lengths, st.floats(0, 180))
def test_a_triangle_gives_its_angle_back(arm: float, base: float, angle: float) -> None:
    """A cylinder as long as the angle asks for stands at that angle."""
    length = math.sqrt((arm - base) ** 2 + 4 * arm * base * math.sin(math.radians(angle / 2)) ** 2)
    assume(length > 1e-3)
    turn = turn_at(arm, base, length)
    # cos is flat at both ends, so an angle there is known to the root of the digits only.
    assert turn.angle_deg == pytest.approx(angle, abs=1e-4)
    assert 0 <= turn.moment_arm_in <= min(arm, base) * (1 + 1e-9)


@given(lengths, lengths, st.floats(0.01, 300))
def test_a_triangle_closes_or_is_refused(arm: float, base: float, length: float) -> None:
    """No three lengths give NaN: either an angle of 0 to 180 or an error that says the limits."""
    try:
        turn = turn_at(arm, base, length)
    except FigureError as error:
        assert not abs(arm - base) <= length <= arm + base
        assert "cannot close" in str(error)  # noqa: PT017
    else:
        assert 0 <= turn.angle_deg <= 180
        assert math.isfinite(turn.moment_arm_in)


def test_work_of_the_cylinder_is_work_on_the_arm() -> None:
    """Force times stroke equals the moment summed over the angle: the geometry keeps energy."""
    points = force_through(swing(6, 9, 7, 5, points=2001), 40, lambda _: 0.0)
    work = 0.0
    for one, two in pairwise(points):
        turned = math.radians(two.turn.angle_deg - one.turn.angle_deg)
        work += (one.moment_lbf_in + two.moment_lbf_in) / 2 * turned
    assert work == pytest.approx(40 * 5, rel=1e-5)


def test_margin_through_a_swing_follows_the_load() -> None:
    """A level lid needs the most; where the load helps, the margin is infinite."""
    points = force_through(
        swing(3, 4, 2, 4), 60, lambda angle: hinge_moment_lbf_in(10, 12, angle - 20)
    )
    margins = [point.margin for point in points]
    assert min(margins) == margins[0] < 2
    assert max(margins) == math.inf
    assert all(p.margin == p.moment_lbf_in / p.load_lbf_in for p in points if p.load_lbf_in > 0)


def test_a_swing_that_opens_on_the_way_says_where() -> None:
    """A stroke longer than the triangle allows names the reach."""
    with pytest.raises(FigureError, match="must measure 1 to 7 in"):
        swing(3, 4, 5, 4)


@given(st.floats(0.1, 100), st.floats(1, 50), st.floats(1, 180), st.floats(0.05, 5))
def test_impact_energy_goes_with_the_square_of_speed(
    weight: float, gyration: float, angle: float, time_s: float
) -> None:
    """Half the time is four times the energy."""
    energy = swing_energy_ft_lbf(weight, gyration, angle, time_s)
    assert swing_energy_ft_lbf(weight, gyration, angle, time_s / 2) == pytest.approx(4 * energy)


def test_energy_of_a_falling_weight() -> None:
    """At the speed of a fall through h a weight W has the energy W h (identity)."""
    fallen_in = 24.0
    speed = math.sqrt(2 * 386.0886 * fallen_in)
    assert impact_energy_ft_lbf(10, speed, peak=1) == pytest.approx(10 * fallen_in / 12)


def test_lift_and_hinge_loads() -> None:
    """Weight along a slope, weight about a hinge, and a margin (statics)."""
    assert lift_load_lbf(50) == 50
    assert lift_load_lbf(50, assist_lbf=20) == 30
    assert lift_load_lbf(50, incline_deg=30) == pytest.approx(25)
    assert hinge_moment_lbf_in(20, 18, 0) == 360
    assert hinge_moment_lbf_in(20, 18, 90) == pytest.approx(0, abs=1e-9)
    assert hinge_moment_lbf_in(20, 18, 120) == pytest.approx(-180)
    assert margin(100, 50) == 2
    assert margin(100, 0) == math.inf


@given(st.floats(-80, 80))
def test_a_spring_assist_gives_back_the_energy_it_holds(angle: float) -> None:
    """The spring's moment is the slope of its energy against the angle."""
    spring = SpringAssist(rate_lbf_per_in=4, free_in=5, anchor_in=14, anchor_deg=100, attach_in=9)

    def held(at_deg: float) -> float:
        between = math.radians(100 - at_deg)
        length = math.sqrt(14**2 + 9**2 - 2 * 14 * 9 * math.cos(between))
        return 0.5 * 4 * max(length - 5, 0) ** 2

    step = 1e-4
    slope = (held(angle - step) - held(angle + step)) / math.radians(2 * step)
    assert spring_moment_lbf_in(spring, angle) == pytest.approx(slope, rel=1e-4, abs=1e-3)


def test_a_slack_spring_pulls_nothing() -> None:
    """A spring shorter than its free length, or folded onto its anchor, has no moment."""
    slack = SpringAssist(4, free_in=30, anchor_in=14, anchor_deg=100, attach_in=9)
    assert spring_moment_lbf_in(slack, 20) == 0
    folded = SpringAssist(4, free_in=0, anchor_in=9, anchor_deg=30, attach_in=9)
    assert spring_moment_lbf_in(folded, 30) == 0


_BAD = (-1.0, math.nan, math.inf, -math.inf)


@pytest.mark.parametrize("bad", [0.0, *_BAD])
def test_what_must_be_above_zero(bad: float) -> None:
    """Zero, less, NaN and infinity are refused wherever a real size is asked for."""
    for call in (
        lambda: Cylinder(bad, 1),
        lambda: Cylinder(1, bad),
        lambda: cycle_air(Cylinder(1, 1), 60).per_minute_scfm(bad),
        lambda: usable_scf(bad, 100, 50),
        lambda: receiver_ft3(bad, 20, 5, 100, 80),
        lambda: pump_up_minutes(10, 0, 100, bad),
        lambda: bleed_down_cfm(10, 100, 50, bad),
        lambda: orifice_scfm(bad, 100),
        lambda: cv_flow_scfm(bad, 100, 50),
        lambda: conductance_flow_lpm(bad, 0.3, 5, 4),
        lambda: conductance_flow_lpm(1, 0.3, bad, 0),
        lambda: radius_for(bad, 90),
        lambda: radius_for(1, bad),
        lambda: turn_at(bad, 1, 1),
        lambda: turn_at(1, bad, 1),
        lambda: turn_at(1, 1, bad),
        lambda: swing_energy_ft_lbf(1, 1, 90, bad),
        lambda: hose_volume_in3(bad, 10),
    ):
        with pytest.raises(FigureError):
            call()


@pytest.mark.parametrize("bad", _BAD)
def test_what_must_not_be_negative(bad: float) -> None:
    """Less than zero, NaN and infinity are refused wherever zero is allowed."""
    for call in (
        lambda: Cylinder(1, 1, bad),
        lambda: cycle_air(Cylinder(1, 1), bad),
        lambda: cycle_air(Cylinder(1, 1), 60, hose_in3=bad),
        lambda: forces(Cylinder(1, 1), bad),
        lambda: margin(bad, 1),
        lambda: lift_load_lbf(bad),
        lambda: usable_scf(10, 100, bad),
        lambda: receiver_ft3(1, bad, 0, 100, 80),
        lambda: load_unload_percent(bad, 5),
        lambda: load_unload_percent(5, bad),
        lambda: conductance_flow_lpm(1, bad, 5, 4),
        lambda: force_through(swing(3, 4, 2, 4), bad, lambda _: 1.0),
    ):
        with pytest.raises(FigureError):
            call()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Cylinder(1, 1, 1), "does not fit"),
        (lambda: usable_scf(10, 50, 100), "must fall"),
        (lambda: pump_up_minutes(10, 100, 50, 5), "must rise: 100 to 50 psi does not"),
        (lambda: pump_up_minutes(10, 50, 100, 5, 5), "never fills"),
        (lambda: receiver_ft3(6, 5, 20, 100, 80), "no receiver is needed"),
        (lambda: load_unload_percent(0, 0), "must be above 0"),
        (lambda: orifice_scfm(0.1, 5), "too low for choked flow"),
        (lambda: orifice_scfm(0.1, 100, discharge=1.1), "at most 1"),
        (lambda: cv_flow_scfm(1, 50, 60), "does not flow that way"),
        (lambda: cv_flow_scfm(1, 50, -20), "below a vacuum"),
        (lambda: cv_flow_scfm(1, 50, 40, -500), "absolute temperature"),
        (lambda: conductance_flow_lpm(1, 0.3, 4, 5), "does not flow that way"),
        (lambda: conductance_flow_lpm(1, 1, 5, 4), "under 1"),
        (lambda: radius_for(2, 181), "180 is the most"),
        (lambda: turn_at(3, 4, 8), "must measure 1 to 7 in"),
        (lambda: turn_at(3, 4, 0.5), "must measure 1 to 7 in"),
        (lambda: swing(3, 4, 2, 1, points=1), "at least 2"),
        (lambda: lift_load_lbf(5, incline_deg=120), "between 0 and 90"),
        (lambda: rankine(-460), "absolute temperature"),
    ],
)
def test_impossible_inputs_say_why(call: object, says: str) -> None:
    """What cannot be is refused with the reason."""
    assert callable(call)
    with pytest.raises(FigureError, match=says):
        call()


def test_flat_triangles_are_the_limit() -> None:
    """An arm and base in one line stand at 180 or 0 degrees with no leverage."""
    assert turn_at(3, 4, 7).angle_deg == 180
    assert turn_at(3, 4, 7).moment_arm_in == 0
    assert turn_at(3, 4, 1).angle_deg == 0
    assert turn_at(0.1, 0.2, 0.3).moment_arm_in == pytest.approx(0, abs=1e-8)
