"""Sizes that can be bought, from memory of common catalogues: what a remedy may ask for."""

from __future__ import annotations

BORES_IN = (
    0.3125, 0.4375, 0.5625, 0.75, 0.875, 1.0625, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 3.25, 4.0, 5.0,
    6.0, 8.0,
)  # fmt: skip
"""Bores of round-body and tie-rod cylinders in inches."""

CVS = (0.1, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 4.5, 7.0)
"""Flow coefficients of valves from M5 to 3/4 in ports."""

SUPPLIES_A = (1.0, 1.5, 2.5, 3.0, 5.0, 6.5, 10.0, 15.0, 20.0, 30.0, 40.0)
"""Currents of small DC supplies in amperes."""

TANKS_GAL = (5, 11, 20, 30, 60, 80, 120, 200, 240, 400, 660)
"""Volumes of air tanks in US gallons."""

WIRES_AWG = (18, 16, 14, 12, 10)
"""Wires that a terminal of a valve takes, thinnest first."""


def next_size(needed: float, sizes: tuple[float, ...]) -> float | None:
    """Return the smallest size that is no smaller than needed; None where none is big enough."""
    return next((size for size in sizes if size >= needed * (1 - 1e-9)), None)


def inches(value: float) -> str:
    """Return inches as they are sold: `1-1/16 in`, `3/4 in`, `2 in`, else decimal."""
    sixteenths = round(value * 16)
    if abs(sixteenths / 16 - value) > 1e-9:
        return f"{value:.4g} in"
    whole, part = divmod(sixteenths, 16)
    if not part:
        return f"{whole} in"
    under = 16
    while part % 2 == 0:
        part, under = part // 2, under // 2
    return f"{whole}-{part}/{under} in" if whole else f"{part}/{under} in"
