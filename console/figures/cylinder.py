"""The cylinder that every other figure starts from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from console.figures.inputs import FigureError, above_zero, not_negative


class Acting(StrEnum):
    """Which way air drives a cylinder."""

    SINGLE = "single"  # air drives it out, a spring or the load brings it back
    DOUBLE = "double"  # air drives it both ways


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A cylinder's inner dimensions in inches.

    Raises:
        FigureError: A dimension is not above 0, or the rod is as thick as the bore.
    """

    bore_in: float
    stroke_in: float
    rod_in: float = 0.0
    acting: Acting = Acting.SINGLE

    def __post_init__(self) -> None:
        above_zero("the bore", self.bore_in)
        above_zero("the stroke", self.stroke_in)
        not_negative("the rod", self.rod_in)
        if self.rod_in >= self.bore_in:
            raise FigureError(
                f"a rod of {self.rod_in:g} in does not fit a bore of {self.bore_in:g} in"
            )

    @property
    def piston_in2(self) -> float:
        """The area that air pushes out, in square inches."""
        return circle_in2(self.bore_in)

    @property
    def annulus_in2(self) -> float:
        """The area that air pulls back, the piston less the rod, in square inches."""
        return circle_in2(self.bore_in) - circle_in2(self.rod_in)


def circle_in2(diameter_in: float) -> float:
    """Return the area of a circle in square inches."""
    return math.pi / 4 * diameter_in**2
