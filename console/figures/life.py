"""Life of parts by the makers' numbers.

These are the formulas of a safety standard, used to plan upkeep. They do not make a prop, or this
program, a safety function of any level.

Source: ISO 13849-1:2006, annex C.4.
"""

from __future__ import annotations

from dataclasses import dataclass

from console.figures.inputs import FigureError, above_zero

# Table C.1, pneumatic components built by good engineering practice.
PNEUMATIC_B10D_CYCLES = 20_000_000
_SECONDS_PER_HOUR = 3600


@dataclass(frozen=True, slots=True)
class Life:
    """Operations a year, years until 10 % fail dangerously, mean years to dangerous failure."""

    n_op_per_year: float
    t10d_years: float
    mttfd_years: float


def life(b10d_cycles: float, days: float, hours: float, every_s: float) -> Life:
    """Return n_op = d h 3600 / t, T10d = B10d / n_op, MTTFd = B10d / (0.1 n_op).

    `days` a year, `hours` a day, `every_s` seconds from one start to the next.

    Raises:
        FigureError: An input is not above 0, or there are more days or hours than there are.
    """
    above_zero("B10d", b10d_cycles)
    if above_zero("the days a year", days) > 366:
        raise FigureError(f"a year has no {days:g} days")
    if above_zero("the hours a day", hours) > 24:
        raise FigureError(f"a day has no {hours:g} hours")
    n_op = days * hours * _SECONDS_PER_HOUR / above_zero("the time between starts", every_s)
    return Life(n_op, b10d_cycles / n_op, b10d_cycles / (0.1 * n_op))


def b10d_from_b10(b10_cycles: float, dangerous_share: float = 0.5) -> float:
    """Return B10d = B10 / share of failures that are dangerous; half of them, so 2 x B10.

    Raises:
        FigureError: B10 is not above 0, or the share not above 0 and at most 1.
    """
    if not 0 < dangerous_share <= 1:
        raise FigureError(f"the dangerous share must be above 0 to 1, not {dangerous_share:g}")
    return above_zero("B10", b10_cycles) / dangerous_share
