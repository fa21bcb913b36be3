"""Receivers: what a tank holds, how big it must be, how long it takes to fill.

Free air is at 14.7 psia, pressures are gauge. Tanks are sold in gallons and the sources reckon
7.48 gal to a cubic foot, so these figures do too.

Sources: A. Esposito, Fluid Power with Applications, example 13-7; US DOE / ORNL MEASUR tools suite,
ReceiverTank.
"""

from __future__ import annotations

from console.figures.air import ATMOSPHERE_PSIA
from console.figures.inputs import FigureError, above_zero, finite, not_negative

GALLONS_PER_FT3 = 7.48


def usable_scf(volume_ft3: float, from_psi: float, to_psi: float) -> float:
    """Return the free air that a tank gives while it falls: V (P1 - P2) / 14.7.

    Raises:
        FigureError: The volume is not above 0, or the pressures do not fall.
    """
    above_zero("the volume", volume_ft3)
    return volume_ft3 * _fall_psi(from_psi, to_psi) / ATMOSPHERE_PSIA


def receiver_ft3(
    minutes: float, use_scfm: float, supply_scfm: float, from_psi: float, to_psi: float
) -> float:
    """Return the tank that carries a use beyond the supply: t (C - S) 14.7 / (P1 - P2).

    Raises:
        FigureError: The time is not above 0, a flow under 0, the supply above the use, or the
            pressures do not fall.
    """
    above_zero("the time", minutes)
    not_negative("the use", use_scfm)
    not_negative("the supply", supply_scfm)
    if supply_scfm > use_scfm:
        raise FigureError(
            f"a supply of {supply_scfm:g} scfm already covers a use of {use_scfm:g} scfm: "
            "no receiver is needed for it"
        )
    fall = _fall_psi(from_psi, to_psi)
    return minutes * (use_scfm - supply_scfm) * ATMOSPHERE_PSIA / fall


def pump_up_minutes(
    volume_ft3: float, from_psi: float, to_psi: float, supply_scfm: float, use_scfm: float = 0.0
) -> float:
    """Return the minutes until a compressor has filled a tank: V (P2 - P1) / (14.7 (S - C)).

    Raises:
        FigureError: The volume is not above 0, the pressures do not rise, or the use takes all
            that the compressor gives.
    """
    above_zero("the volume", volume_ft3)
    rise = _fall_psi(to_psi, from_psi, "rise")
    spare = above_zero("the supply", supply_scfm) - not_negative("the use", use_scfm)
    if spare <= 0:
        raise FigureError(
            f"a supply of {supply_scfm:g} scfm never fills a tank that {use_scfm:g} scfm leave"
        )
    return volume_ft3 * rise / (ATMOSPHERE_PSIA * spare)


def _fall_psi(high_psi: float, low_psi: float, word: str = "fall") -> float:
    if finite("the pressure", high_psi) <= not_negative("the pressure", low_psi):
        first, last = (low_psi, high_psi) if word == "rise" else (high_psi, low_psi)
        raise FigureError(f"the pressure must {word}: {first:g} to {last:g} psi does not")
    return high_psi - low_psi
