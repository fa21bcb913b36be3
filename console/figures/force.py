"""Forces of a cylinder, and what the load asks of it.

Source: F = p A; moments by statics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from console.figures.cylinder import Cylinder
from console.figures.inputs import FigureError, above_zero, finite, not_negative

# A motion that must be quick needs twice the force of its load, a slow one half as much again:
# what is left over is what accelerates it (sizing practice, from memory).
FAST_MARGIN = 2.0
SLOW_MARGIN = 1.5


@dataclass(frozen=True, slots=True)
class Forces:
    """What a cylinder gives at a pressure, friction not taken off."""

    push_lbf: float
    pull_lbf: float


@dataclass(frozen=True, slots=True)
class SpringAssist:
    """A spring from a fixed point to an arm, which helps to lift it.

    `anchor_in` is how far its fixed end, and `attach_in` how far its moving end, lies from the
    hinge. `anchor_deg` is the direction of the fixed end from the hinge, counted like the arm's
    angle: from the horizontal, upwards. The spring pulls with `rate_lbf_per_in` for each inch
    beyond `free_in`, and a spring shorter than that pulls nothing.
    """

    rate_lbf_per_in: float
    free_in: float
    anchor_in: float
    anchor_deg: float
    attach_in: float

    def __post_init__(self) -> None:
        above_zero("the spring rate", self.rate_lbf_per_in)
        not_negative("the free length", self.free_in)
        above_zero("the anchor distance", self.anchor_in)
        above_zero("the attachment distance", self.attach_in)
        finite("the anchor's direction", self.anchor_deg)


def forces(cylinder: Cylinder, pressure_psi: float) -> Forces:
    """Return push and pull in lbf at a gauge pressure: F = p A.

    Raises:
        FigureError: The pressure is under 0.
    """
    not_negative("the pressure", pressure_psi)
    return Forces(
        push_lbf=pressure_psi * cylinder.piston_in2, pull_lbf=pressure_psi * cylinder.annulus_in2
    )


def margin(force_lbf: float, load_lbf: float) -> float:
    """Return how many times the load the force is; infinite where the load is 0 or helps.

    Raises:
        FigureError: The force is under 0, or the load not finite.
    """
    not_negative("the force", force_lbf)
    return force_lbf / load_lbf if finite("the load", load_lbf) > 0 else math.inf


def lift_load_lbf(weight_lbf: float, assist_lbf: float = 0.0, incline_deg: float = 90.0) -> float:
    """Return the force along the way that holds a weight, less a spring's help.

    `incline_deg` is the slope of the way: 90 straight up, 0 level. Below 0 in the answer means
    that the spring lifts more than the weight, so the cylinder must hold it down.

    Raises:
        FigureError: The weight or the assist is under 0, or the slope outside 0 to 90.
    """
    if not 0 <= incline_deg <= 90:
        raise FigureError(f"the slope must lie between 0 and 90 degrees, not {incline_deg:g}")
    slope = math.sin(math.radians(incline_deg))
    return not_negative("the weight", weight_lbf) * slope - not_negative("the assist", assist_lbf)


def hinge_moment_lbf_in(weight_lbf: float, centre_in: float, angle_deg: float) -> float:
    """Return the moment of an arm's weight about its hinge: W d cos(angle).

    `centre_in` is how far the centre of gravity lies from the hinge, `angle_deg` its direction
    from the horizontal, upwards. Above 0 the weight turns the arm down.

    Raises:
        FigureError: The weight or the distance is under 0, or the angle not finite.
    """
    lever_in = not_negative("the distance of the weight", centre_in) * math.cos(
        math.radians(finite("the angle", angle_deg))
    )
    return not_negative("the weight", weight_lbf) * lever_in


def spring_moment_lbf_in(spring: SpringAssist, angle_deg: float) -> float:
    """Return the moment with which a spring assist turns an arm up at an angle.

    The spring's length follows from the law of cosines, its lever from the area of the triangle of
    hinge, anchor and attachment.

    Raises:
        FigureError: The angle is not finite.
    """
    between = math.radians(spring.anchor_deg - finite("the angle", angle_deg))
    a, b = spring.anchor_in, spring.attach_in
    length_in = math.sqrt(max(a * a + b * b - 2 * a * b * math.cos(between), 0.0))
    stretch_in = max(length_in - spring.free_in, 0.0)
    if stretch_in == 0 or length_in == 0:
        return 0.0
    return spring.rate_lbf_per_in * stretch_in * a * b * math.sin(between) / length_in
