"""A leak test: the tank shut off from nothing but its leaks, watched for a time.

Source: US DOE, Improving Compressed Air System Performance: a Sourcebook for Industry, bleed-down.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from console.figures.leak import POOR_PERCENT, WELL_KEPT_PERCENT, bleed_down_cfm
from console.rules.airuse import tank_ft3
from console.site.models import Site

EVENT_KIND = "leak-test"
"""Under which it stands in the ledger."""
LEAST_FALL_PSI = 3.0
"""A gauge that is read to 1 psi says nothing about less."""

STEPS = (
    "Disarm every prop, and see that nothing moves.",
    "Let the compressor fill the tank until it stops by itself.",
    "Switch the compressor off. Leave the tank's valve and all props' valves open.",
    "Read the gauge and look at the clock.",
    "Wait until it has fallen by 10 psi or more, 20 minutes at the longest. Nobody fires anything.",
    "Read the gauge and the clock again. Switch the compressor on.",
)
"""What a person does, in order."""


class Mark(StrEnum):
    """How well kept a system is by its share of leak."""

    WELL_KEPT = "well kept"  # under 10 % of the compressor
    LOOK = "look for leaks"  # from 10 to 20 %
    POOR = "poorly kept"  # 20 % and more


@dataclass(frozen=True, slots=True)
class LeakTest:
    """What a test found. `percent` is None where the site file has no compressor."""

    from_psi: float
    to_psi: float
    minutes: float
    leak_cfm: float
    percent: float | None

    @property
    def mark(self) -> Mark | None:
        """The mark it reaches; None without a compressor to measure by."""
        return None if self.percent is None else mark_of(self.percent)

    @property
    def advice(self) -> str:
        """What to do about it."""
        return ADVICE[self.mark] if self.mark else "Compare it with the tests before."


ADVICE = {
    Mark.WELL_KEPT: "Nothing to be done. Write the leak into the site file: air, leak.",
    Mark.LOOK: "Go along the fittings with soapy water when there is time, push-ins first.",
    Mark.POOR: "Look for it before the next night: soapy water at every fitting, and listen.",
}


def leak_test(site: Site, from_psi: float, to_psi: float, minutes: float) -> LeakTest:
    """Reckon a test of a site's tank.

    Raises:
        FigureError: The pressures do not fall, or the time is not above 0.
        ValueError: The site file has no tank.
    """
    tank, compressor = site.air.tank, site.air.compressor
    if tank is None:
        raise ValueError("the site file has no tank whose volume a leak could be told by")
    cfm = bleed_down_cfm(tank_ft3(tank), from_psi, to_psi, minutes)
    rated = compressor.delivers_scfm if compressor else 0.0
    return LeakTest(from_psi, to_psi, minutes, cfm, 100 * cfm / rated if rated else None)


def mark_of(percent: float) -> Mark:
    """The mark of a share of the compressor."""
    if percent < WELL_KEPT_PERCENT:
        return Mark.WELL_KEPT
    return Mark.LOOK if percent < POOR_PERCENT else Mark.POOR


def detail_of(found: LeakTest) -> dict[str, object]:
    """What the ledger keeps of a test."""
    return {
        "from_psi": found.from_psi,
        "to_psi": found.to_psi,
        "minutes": found.minutes,
        "leak_cfm": round(found.leak_cfm, 3),
        "percent": None if found.percent is None else round(found.percent, 1),
        "mark": found.mark.value if found.mark else "",
    }
