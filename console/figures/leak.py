"""Leaks, found by letting the pressure fall, by the compressor's rhythm, or by the hole.

Source: US DOE, Improving Compressed Air System Performance: a Sourcebook for Industry, leak tests.
"""

from __future__ import annotations

import math

from console.figures.air import ATMOSPHERE_PSIA, FREE_AIR_DEGF, FREE_AIR_LB_PER_FT3, rankine
from console.figures.cylinder import circle_in2
from console.figures.inputs import FigureError, above_zero, finite, not_negative
from console.figures.receiver import usable_scf

# Under 10 % is well kept; 20 to 30 % is a poorly kept system (same source).
WELL_KEPT_PERCENT = 10.0
POOR_PERCENT = 20.0

# Air leaks faster at working pressure than on average over the fall (same source).
_AT_WORKING_PRESSURE = 1.25
_CHOKED_PSIA = ATMOSPHERE_PSIA / 0.528282
# Mass flow of choked air is 0.5318 A p / sqrt(T), lb/s of in2, psia and degR.
_CHOKED_LB = 0.53175


def bleed_down_cfm(volume_ft3: float, from_psi: float, to_psi: float, minutes: float) -> float:
    """Return the leak of a closed system in free cfm: V (P1 - P2) / (T 14.7) x 1.25.

    Raises:
        FigureError: The volume or the time is not above 0, or the pressures do not fall.
    """
    given = usable_scf(volume_ft3, from_psi, to_psi)
    return given / above_zero("the time", minutes) * _AT_WORKING_PRESSURE


def load_unload_percent(on_minutes: float, off_minutes: float) -> float:
    """Return the share of a compressor that leaks eat with nothing in use: T / (T + t) x 100.

    Raises:
        FigureError: A time is under 0, or both are 0.
    """
    not_negative("the time on", on_minutes)
    not_negative("the time off", off_minutes)
    return 100 * (on_minutes / above_zero("the time of the test", on_minutes + off_minutes))


def orifice_scfm(
    hole_in: float, pressure_psi: float, *, discharge: float = 1.0, temp_degf: float = FREE_AIR_DEGF
) -> float:
    """Return the choked free air out of a round hole to the open, gauge pressure.

    `discharge` is the coefficient of the hole: 1 well rounded, 0.61 sharp-edged.

    Source: choked flow of a perfect gas, k = 1.4.

    Raises:
        FigureError: The hole is not above 0, the coefficient not in 0 to 1, or the pressure too
            low to choke (under about 13 psi).
    """
    above_zero("the hole", hole_in)
    if not 0 < discharge <= 1:
        raise FigureError(f"the coefficient must be above 0 and at most 1, not {discharge:g}")
    up = finite("the pressure", pressure_psi) + ATMOSPHERE_PSIA
    if up < _CHOKED_PSIA:
        raise FigureError(f"{pressure_psi:g} psi is too low for choked flow through a hole")
    pounds = _CHOKED_LB * discharge * circle_in2(hole_in) * up / math.sqrt(rankine(temp_degf))
    return pounds * 60 / FREE_AIR_LB_PER_FT3
