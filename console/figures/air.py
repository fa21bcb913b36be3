"""Free air that strokes use.

Free air is air at 14.7 psia and 68 degF, counted in cubic feet (scf). Pressures are gauge.

Sources: A. Esposito, Fluid Power with Applications, equation 13-6 and example 13-12; US DOE /
ORNL MEASUR tools suite, PneumaticAirRequirement.
"""

from __future__ import annotations

from dataclasses import dataclass

from console.figures.cylinder import Acting, Cylinder, circle_in2
from console.figures.inputs import above_zero, finite, not_negative

ATMOSPHERE_PSIA = 14.7
FREE_AIR_DEGF = 68.0
RANKINE_AT_0_DEGF = 459.67
IN3_PER_FT3 = 1728.0
GAS_FT_LBF_PER_LB_R = 53.353
FREE_AIR_LB_PER_FT3 = (
    ATMOSPHERE_PSIA * 144 / (GAS_FT_LBF_PER_LB_R * (FREE_AIR_DEGF + RANKINE_AT_0_DEGF))
)


@dataclass(frozen=True, slots=True)
class CycleAir:
    """Free air of one cycle of a motion that goes out once and back once."""

    out_scf: float
    back_scf: float
    compression_ratio: float

    @property
    def per_cycle_scf(self) -> float:
        """Out and back together."""
        return self.out_scf + self.back_scf

    def per_minute_scfm(self, rate_per_min: float) -> float:
        """Return the free air of `rate_per_min` cycles a minute, in scfm.

        Raises:
            FigureError: The rate is not above 0.
        """
        return self.per_cycle_scf * above_zero("the rate", rate_per_min)


def compression_ratio(pressure_psi: float) -> float:
    """Return (p + 14.7) / 14.7, the free volumes that one volume at gauge pressure holds.

    Raises:
        FigureError: The pressure is under 0.
    """
    return (not_negative("the pressure", pressure_psi) + ATMOSPHERE_PSIA) / ATMOSPHERE_PSIA


def rankine(degf: float) -> float:
    """Return a temperature in degrees Rankine.

    Raises:
        FigureError: It lies at or below absolute zero.
    """
    return above_zero(
        "the absolute temperature", finite("the temperature", degf) + RANKINE_AT_0_DEGF
    )


def cycle_air(
    cylinder: Cylinder,
    pressure_psi: float,
    *,
    hose_in3: float = 0.0,
    cylinder_degf: float = FREE_AIR_DEGF,
) -> CycleAir:
    """Return the free air of one cycle: swept volume x (p + 14.7) / 14.7 x 528 / (T + 460).

    `hose_in3` is the volume of one hose between valve and cylinder. It fills on every stroke that
    air drives, and keeps one atmosphere when it is vented, so it costs p / 14.7 of its volume.

    Raises:
        FigureError: The pressure or the hose volume is under 0, or the temperature impossible.
    """
    ratio = compression_ratio(pressure_psi)
    cooled = rankine(FREE_AIR_DEGF) / rankine(cylinder_degf)
    hose = not_negative("the hose volume", hose_in3) * (ratio - 1)

    def stroke_scf(area_in2: float) -> float:
        return (area_in2 * cylinder.stroke_in * ratio + hose) * cooled / IN3_PER_FT3

    double = cylinder.acting is Acting.DOUBLE
    return CycleAir(
        out_scf=stroke_scf(cylinder.piston_in2),
        back_scf=stroke_scf(cylinder.annulus_in2) if double else 0.0,
        compression_ratio=ratio,
    )


def hose_volume_in3(bore_in: float, length_in: float) -> float:
    """Return the volume inside a hose in cubic inches.

    Raises:
        FigureError: The bore is not above 0, or the length under 0.
    """
    return circle_in2(above_zero("the hose bore", bore_in)) * not_negative(
        "the hose length", length_in
    )
