"""Air through valves, hoses and flow controls one after another.

Each restriction can say what pressure is left behind it at a given flow, so a chain is solved by
the flow at which the last one ends at the downstream pressure; makers' ratings are never converted
into one another.

Sources: NFPA T3.21.3 and ISO 6358-1 as in `console.figures.valve`; isothermal pipe flow with H.
Blasius's friction of smooth tubes for hoses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from console.figures.air import (
    ATMOSPHERE_PSIA,
    FREE_AIR_DEGF,
    FREE_AIR_LB_PER_FT3,
    GAS_FT_LBF_PER_LB_R,
    hose_volume_in3,
    rankine,
)
from console.figures.inputs import FigureError, above_zero
from console.figures.valve import (
    CV_CRITICAL,
    DEFAULT_CRITICAL,
    conductance_flow_lpm,
    cv_flow_abs_scfm,
)

_ROOM_RANKINE = rankine(FREE_AIR_DEGF)
_BAR_PER_PSI = 0.0689475729
# 1 L/min ANR is at 1 bar and 20 degC, 1 scfm at 14.7 psia and 68 degF, which is as warm.
_SCFM_PER_LPM = 0.0353146667 / (ATMOSPHERE_PSIA * _BAR_PER_PSI)

_GRAVITY_FT = 32.174
_VISCOSITY_LB_FT_S = 1.22e-5
# Entry and exit of a hose, in velocity heads; and the least that keeps a short one from passing
# more than an ideal nozzle of its bore does (1 / 0.685^2).
_ENDS = 1.5
_NOZZLE = 2.13


class Restriction(Protocol):
    """Something that air is throttled in."""

    def most_scfm(self, up_psia: float) -> float:
        """Return the flow to vacuum."""
        ...

    def left_psia(self, up_psia: float, flow_scfm: float) -> float:
        """Return the pressure behind it; 0 where it chokes at that flow or cannot pass it."""
        ...


@dataclass(frozen=True, slots=True)
class CvRestriction:
    """A valve or flow control by its Cv.

    Raises:
        FigureError: Cv is not above 0.
    """

    cv: float

    def __post_init__(self) -> None:
        above_zero("Cv", self.cv)

    def most_scfm(self, up_psia: float) -> float:
        """Return the choked flow."""
        return cv_flow_abs_scfm(self.cv, up_psia, 0.0, FREE_AIR_DEGF)

    def left_psia(self, up_psia: float, flow_scfm: float) -> float:
        """Return the root of (p1 - p2) p2 = T (Q / 22.48 Cv)^2 that lies above p1 / 2."""
        if flow_scfm >= self.most_scfm(up_psia):
            return 0.0
        square = up_psia * up_psia / 4 - _ROOM_RANKINE * (flow_scfm / (22.48 * self.cv)) ** 2
        return max(up_psia / 2 + math.sqrt(max(square, 0.0)), CV_CRITICAL * up_psia)


@dataclass(frozen=True, slots=True)
class SonicRestriction:
    """A valve or flow control by sonic conductance in dm3/(s bar) and critical ratio.

    Raises:
        FigureError: The conductance is not above 0, or the ratio not in 0 to under 1.
    """

    conductance: float
    critical: float = DEFAULT_CRITICAL

    def __post_init__(self) -> None:
        conductance_flow_lpm(self.conductance, self.critical, 1.0, 1.0)

    def most_scfm(self, up_psia: float) -> float:
        """Return the choked flow."""
        return 60 * self.conductance * up_psia * _BAR_PER_PSI * _SCFM_PER_LPM

    def left_psia(self, up_psia: float, flow_scfm: float) -> float:
        """Return p1 (b + (1 - b) sqrt(1 - (Q / Qmax)^2))."""
        share = flow_scfm / self.most_scfm(up_psia)
        if share >= 1:
            return 0.0
        return up_psia * (self.critical + (1 - self.critical) * math.sqrt(1 - share * share))


@dataclass(frozen=True, slots=True)
class HoseRestriction:
    """A hose by its inside diameter and length.

    Raises:
        FigureError: The bore or the length is not above 0.
    """

    bore_in: float
    length_ft: float

    def __post_init__(self) -> None:
        above_zero("the hose bore", self.bore_in)
        above_zero("the hose length", self.length_ft)

    @property
    def volume_in3(self) -> float:
        """What is inside it."""
        return hose_volume_in3(self.bore_in, self.length_ft * 12)

    def most_scfm(self, up_psia: float) -> float:
        """Return the flow to vacuum."""
        low, high = 0.0, 1.0
        while self.left_psia(up_psia, high) > 0:
            low, high = high, high * 2
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if self.left_psia(up_psia, middle) > 0 else (low, middle)
        return low

    def left_psia(self, up_psia: float, flow_scfm: float) -> float:
        """Return sqrt(p1^2 - (m / A)^2 R T N / g), N = f L / D and the ends."""
        if flow_scfm <= 0:
            return up_psia
        bore_ft = self.bore_in / 12
        area_ft2 = math.pi / 4 * bore_ft**2
        pounds = flow_scfm * FREE_AIR_LB_PER_FT3 / 60
        reynolds = 4 * pounds / (math.pi * bore_ft * _VISCOSITY_LB_FT_S)
        friction = max(0.3164 * reynolds**-0.25, 64 / reynolds if reynolds < 2300 else 0.0)
        heads = max(friction * self.length_ft / bore_ft + _ENDS, _NOZZLE)
        lost_psf2 = (
            (pounds / area_ft2) ** 2 * GAS_FT_LBF_PER_LB_R * _ROOM_RANKINE * heads / _GRAVITY_FT
        )
        return math.sqrt(max(up_psia * up_psia - lost_psf2 / 144**2, 0.0))


def chain_flow_scfm(chain: Sequence[Restriction], up_psia: float, down_psia: float) -> float:
    """Return the free air through restrictions one after another, pressures absolute.

    Raises:
        FigureError: The chain is empty, or a pressure is not above 0.
    """
    if not chain:
        raise FigureError("air needs something to flow through")
    above_zero("the upstream pressure", up_psia)
    above_zero("the downstream pressure", down_psia)
    if down_psia >= up_psia:
        return 0.0
    low, high = 0.0, min(part.most_scfm(up_psia) for part in chain)
    for _ in range(40):
        flow = (low + high) / 2
        pressure = up_psia
        for part in chain:
            pressure = part.left_psia(pressure, flow) if pressure > 0 else 0.0
        if pressure > down_psia:
            low = flow
        else:
            high = flow
    return (low + high) / 2
