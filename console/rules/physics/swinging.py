"""Whether a cylinder that turns an arm can make the swing that is meant."""

from __future__ import annotations

import math
from collections.abc import Iterator

from console.figures.inputs import FigureError
from console.figures.swing import Turn, radius_for, swing
from console.rules.physics.pushing import motions
from console.site.draft import Draft, Path
from console.site.models import Cylinder, Swing
from console.site.problems import Problem, Severity

_CLOSE_DEG = 5.0
"""An arm that ends this near to where it is meant to is adjusted, not rebuilt."""
_DEAD_POINT = 0.25
"""Under this share of the arm as lever, nearly all force goes into the pivot."""


def swings_can_be_made(draft: Draft) -> Iterator[Problem]:
    """The triangle closes over the whole stroke and turns the arm as far as it is meant to."""
    for prop, motion, path in motions(draft):
        fitted = motion.cylinder
        if fitted is None or fitted.swing is None:
            continue
        where: Path = (*path, "cylinder", "swing")
        name = f"{motion.name} of {prop.name}"
        for message, remedy, severity in _findings(name, fitted, fitted.swing):
            yield draft.problem(where, message, remedy, at_key=True, severity=severity)


def turns_of(fitted: Cylinder) -> tuple[Turn, ...]:
    """The arm along the stroke; empty where `closed` is not given.

    Raises:
        FigureError: The geometry cannot make the whole stroke.
    """
    made = fitted.swing
    if made is None or made.closed_in is None:
        return ()
    return swing(made.arm_in, made.base_in, made.closed_in, fitted.stroke_in)


_Finding = tuple[str, str, Severity]


def _findings(name: str, fitted: Cylinder, made: Swing) -> Iterator[_Finding]:
    if made.closed_in is None:
        yield from _without_closed(name, fitted, made)
        return
    if made.closed_in <= fitted.stroke_in:
        yield (
            f"{name} is {made.closed_in:g} in from pin to pin with the rod in, no more than its "
            f"stroke of {fitted.stroke_in:g} in",
            "a cylinder is longer than its stroke: measure `closed` again",
            Severity.PROBLEM,
        )
        return
    try:
        turns = turns_of(fitted)
    except FigureError:
        low, high = abs(made.arm_in - made.base_in), made.arm_in + made.base_in
        yield (
            f"{name} cannot swing: its cylinder goes from {made.closed_in:g} to "
            f"{made.closed_in + fitted.stroke_in:g} in, and the triangle of arm and base closes "
            f"only from {low:g} to {high:g} in",
            _closing(made, fitted.stroke_in, low, high),
            Severity.PROBLEM,
        )
        return
    turned = turns[-1].angle_deg - turns[0].angle_deg
    if made.angle_deg is not None and turned < made.angle_deg - _CLOSE_DEG:
        yield (
            f"{name} turns {turned:.0f} deg, and {made.angle_deg:g} deg are meant",
            _further(made, fitted.stroke_in),
            Severity.PROBLEM,
        )
    elif made.angle_deg is not None and turned > made.angle_deg + _CLOSE_DEG:
        stroke = _length_at(made, turns[0].angle_deg + made.angle_deg) - made.closed_in
        yield (
            f"{name} turns {turned:.0f} deg, past the {made.angle_deg:g} deg that are meant",
            f"a stroke of {stroke:.2f} in ends there; or a stop that takes the whole force",
            Severity.WARNING,
        )
    worst = min(turns, key=lambda turn: turn.moment_arm_in)
    if worst.moment_arm_in < _DEAD_POINT * made.arm_in:
        yield (
            f"{name} comes near its dead point: at {worst.length_in:.2f} in its lever is "
            f"{worst.moment_arm_in:.2f} in of an arm of {made.arm_in:g} in, and "
            f"{_DEAD_POINT * made.arm_in:.2f} in are wanted",
            "move the cylinder's pin so that it stands square to the arm in mid-stroke: a base of "
            f"about {_square_base(made.arm_in, made.closed_in, fitted.stroke_in):.2f} in",
            Severity.WARNING,
        )


def _without_closed(name: str, fitted: Cylinder, made: Swing) -> Iterator[_Finding]:
    """At best: a swing symmetric about the place where cylinder and arm are square."""
    room = 2 * min(made.arm_in, made.base_in)
    if fitted.stroke_in >= room:
        yield (
            f"{name} cannot swing: a stroke of {fitted.stroke_in:g} in, and the triangle closes "
            f"over {room:g} in at most",
            f"a stroke under {room:g} in, or a longer arm",
            Severity.PROBLEM,
        )
    elif made.angle_deg is not None and made.angle_deg <= 180:
        radius = radius_for(fitted.stroke_in, made.angle_deg)
        if made.arm_in > radius * 1.05:
            stroke = 2 * made.arm_in * math.sin(math.radians(made.angle_deg) / 2)
            yield (
                f"{name}: a stroke of {fitted.stroke_in:g} in turns an arm of {made.arm_in:g} in "
                f"through less than {made.angle_deg:g} deg",
                f"take hold {radius:.2f} in from the pivot, or take a stroke of {stroke:.2f} in",
                Severity.WARNING,
            )


def _closing(made: Swing, stroke_in: float, low: float, high: float) -> str:
    if high - low < stroke_in:
        return f"a stroke under {high - low:.2f} in, or a longer arm"
    return f"a cylinder of {low:.2f} to {high - stroke_in:.2f} in from pin to pin with the rod in"


def _length_at(made: Swing, angle_deg: float) -> float:
    """From pin to pin at an angle at the pivot, by the law of cosines."""
    a, b = made.arm_in, made.base_in
    return math.sqrt(max(a * a + b * b - 2 * a * b * math.cos(math.radians(angle_deg)), 0.0))


def _further(made: Swing, stroke_in: float) -> str:
    """What turns the arm as far as it is meant: another stroke, else a shorter arm."""
    assert made.closed_in is not None
    assert made.angle_deg is not None
    start = swing(made.arm_in, made.base_in, made.closed_in, 1e-6, 2)[0].angle_deg
    arm = radius_for(stroke_in, min(made.angle_deg, 180.0))
    if start + made.angle_deg >= 180:
        return f"take hold {arm:.2f} in from the pivot, and stand the cylinder square in mid-stroke"
    stroke = _length_at(made, start + made.angle_deg) - made.closed_in
    return f"a stroke of {stroke:.2f} in, or take hold {arm:.2f} in from the pivot"


def _square_base(arm_in: float, closed_in: float, stroke_in: float) -> float:
    return math.hypot(arm_in, closed_in + stroke_in / 2)


CHECKS = (swings_can_be_made,)
