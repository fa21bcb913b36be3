"""Whether a compressor runs, which no wire tells: by its switch, or by how the pressure moves.

Source: E. S. Page, Continuous Inspection Schemes (1954): the sum of what speaks for the other
state, never under 0, decides when it passes a limit.
"""

from __future__ import annotations

_LIMIT_SIGMAS = 4.0
_NEAR_PSI = 3.0
"""Pressure switches are off by about so much, and drift."""


class CompressorSwitch:
    """On or off, with the pressures at which it last went either way."""

    def __init__(self, cut_in_psi: float, cut_out_psi: float, *, on: bool = False) -> None:
        self.on = on
        self.cut_in_psi = cut_in_psi
        self.cut_out_psi = cut_out_psi
        self._limits = (cut_in_psi, cut_out_psi)
        self._sum = 0.0
        self._doubt = 0.0

    @property
    def unsure(self) -> bool:
        """Whether much speaks for the other state already."""
        return self._sum > self._doubt

    def near(self, psi: float) -> bool:
        """Whether it may be about to switch at this pressure."""
        if self.on:
            return psi > self.cut_out_psi - _NEAR_PSI
        return psi < self.cut_in_psi + _NEAR_PSI

    def by_pressure(self, psi: float) -> bool:
        """Switch by its own two pressures alone; True if it switched."""
        before = self.on
        if psi <= self._limits[0]:
            self.on = True
        elif psi >= self._limits[1]:
            self.on = False
        self._sum = 0.0
        return self.on != before

    def by_motion(
        self, moved_psi: float, off_psi: float, on_psi: float, psi: float, sigma_psi: float
    ) -> bool:
        """Switch by what was measured; True if it switched.

        The pressure moved by `moved_psi` in a step in which it should have moved by `off_psi` with
        the compressor off, by `on_psi` with it on.
        """
        beyond = moved_psi - (off_psi + on_psi) / 2
        self._sum = max(0.0, self._sum + (-beyond if self.on else beyond))
        limit = _LIMIT_SIGMAS * sigma_psi
        self._doubt = limit / 2
        if self._sum <= limit:
            return False
        self.on = not self.on
        self._sum = 0.0
        # Only where it is a switch that acts, not a hand or a fuse.
        if self.on and abs(psi - self._limits[0]) < 4 * _NEAR_PSI:
            self.cut_in_psi += 0.3 * (psi - self.cut_in_psi)
        elif not self.on and abs(psi - self._limits[1]) < 4 * _NEAR_PSI:
            self.cut_out_psi += 0.3 * (psi - self.cut_out_psi)
        return True
