"""A cylinder that turns an arm about a pivot.

The pivot, the cylinder's fixed end and its rod end make a triangle: `arm` from the pivot to the
rod end, `base` from the pivot to the fixed end, `length` the cylinder from pin to pin. The angle
meant is the one at the pivot, between arm and base.

Source: law of cosines; chord = 2 r sin(angle / 2).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from console.figures.inputs import FigureError, above_zero, not_negative

GRAVITY_IN_PER_S2 = 386.0886


@dataclass(frozen=True, slots=True)
class Turn:
    """Where an arm stands at one length of its cylinder."""

    length_in: float
    angle_deg: float
    moment_arm_in: float


@dataclass(frozen=True, slots=True)
class SwingPoint:
    """Force through the swing at one place: `margin` is turning moment over the load's moment."""

    turn: Turn
    moment_lbf_in: float
    load_lbf_in: float
    margin: float


def radius_for(stroke_in: float, angle_deg: float) -> float:
    """Return how far from the pivot a stroke must take hold to swing through an angle, in inches.

    r = s / (2 sin(a / 2)), for a swing symmetric about the place where cylinder and arm are square.

    Raises:
        FigureError: The stroke is not above 0, or the angle not above 0 and at most 180 degrees.
    """
    above_zero("the stroke", stroke_in)
    if not above_zero("the angle", angle_deg) <= 180:
        raise FigureError(
            f"one stroke cannot swing an arm through {angle_deg:g} degrees; 180 is the most"
        )
    return stroke_in / (2 * math.sin(math.radians(angle_deg) / 2))


def turn_at(arm_in: float, base_in: float, length_in: float) -> Turn:
    """Return the angle at the pivot and the cylinder's moment arm about it.

    cos(angle) = (a^2 + b^2 - c^2) / 2ab; moment arm = a b sin(angle) / c.

    Raises:
        FigureError: A side is not above 0, or the triangle cannot close.
    """
    above_zero("the arm", arm_in)
    above_zero("the base", base_in)
    above_zero("the cylinder's length", length_in)
    reach, gap = arm_in + base_in, abs(arm_in - base_in)
    slack = 1e-12 * reach
    if length_in > reach + slack or length_in < gap - slack:
        raise FigureError(
            f"a cylinder of {length_in:g} in cannot close a triangle with an arm of {arm_in:g} in "
            f"and a base of {base_in:g} in: it must measure {gap:g} to {reach:g} in"
        )
    # Half-angle form: exact also where the triangle is nearly flat, where the cosine is not.
    s = (reach + length_in) / 2
    across = max((s - arm_in) * (s - base_in), 0.0)
    along = max(s * (s - length_in), 0.0)
    angle = 2 * math.atan2(math.sqrt(across), math.sqrt(along))
    moment_arm = 2 * math.sqrt(across * along) / length_in
    return Turn(length_in, math.degrees(angle), moment_arm)


def swing(
    arm_in: float, base_in: float, retracted_in: float, stroke_in: float, points: int = 21
) -> tuple[Turn, ...]:
    """Return the arm's angle and the moment arm at `points` places evenly along the stroke.

    Raises:
        FigureError: The geometry cannot make the whole stroke, or `points` is under 2.
    """
    above_zero("the stroke", stroke_in)
    if points < 2:
        raise FigureError(f"a swing needs at least 2 places, not {points}")
    lengths = (retracted_in + stroke_in * i / (points - 1) for i in range(points))
    return tuple(turn_at(arm_in, base_in, length) for length in lengths)


def force_through(
    turns: tuple[Turn, ...], force_lbf: float, load_lbf_in: Callable[[float], float]
) -> tuple[SwingPoint, ...]:
    """Return turning moment and margin through a swing.

    `load_lbf_in` gives the load's moment, which the cylinder must overcome, for an angle at the
    pivot in degrees; where it is 0 or helps, the margin is infinite.

    Raises:
        FigureError: The force is under 0.
    """
    not_negative("the force", force_lbf)
    points = []
    for turn in turns:
        moment, load = force_lbf * turn.moment_arm_in, load_lbf_in(turn.angle_deg)
        points.append(SwingPoint(turn, moment, load, moment / load if load > 0 else math.inf))
    return tuple(points)


def swing_energy_ft_lbf(
    weight_lbf: float, gyration_in: float, angle_deg: float, time_s: float, *, peak: float = 2.0
) -> float:
    """Return the energy at the end of a swing in ft lbf: (W / 2g) (k w)^2.

    The end speed w is `peak` times the mean: 2 for even acceleration right into the stop, which
    no cushion or flow control spoils.

    Raises:
        FigureError: An input is not above 0.
    """
    above_zero("the radius of gyration", gyration_in)
    speed = math.radians(above_zero("the angle", angle_deg)) * gyration_in
    return impact_energy_ft_lbf(weight_lbf, speed / above_zero("the time", time_s), peak=peak)


def impact_energy_ft_lbf(weight_lbf: float, mean_in_per_s: float, *, peak: float = 2.0) -> float:
    """Return the energy of a weight at the end of a stroke in ft lbf: (W / 2g) v^2.

    The end speed v is `peak` times the mean speed.

    Raises:
        FigureError: An input is not above 0.
    """
    above_zero("the weight", weight_lbf)
    speed = above_zero("the mean speed", mean_in_per_s) * above_zero("the peak factor", peak)
    return weight_lbf * speed**2 / (2 * GRAVITY_IN_PER_S2) / 12
