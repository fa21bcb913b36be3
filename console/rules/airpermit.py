"""Whether a prop has air enough, so that neither a stroke nor a wavering needle decides it."""

from __future__ import annotations

HOLD_MS = 3000.0
"""Pressure must be under the limit for so long, or over it again, before it counts."""
RELEASE_PSI = 5.0
"""So far above the limit it is enough again."""


class LowAir:
    """One prop's air. It refuses only what was measured."""

    def __init__(self, need_psi: float) -> None:
        self._need = need_psi
        self._since_ms: float | None = None
        self.low = False
        self.psi: float | None = None
        """The last that was measured."""

    @property
    def limit_psi(self) -> float:
        """What the pressure is held against at this moment; 0 while nothing is short."""
        return self._need + RELEASE_PSI if self.low else 0.0

    def judge(self, psi: float | None, now_ms: float) -> bool:
        """Take the tank's pressure at `now_ms`; whether the prop is short of air.

        None, nobody measures it, changes nothing while the pressure is known to be low, and is no
        reason to refuse otherwise.
        """
        if psi is None:
            self._since_ms = None
            return self.low
        self.psi = psi
        speaks = psi >= self._need + RELEASE_PSI if self.low else psi < self._need
        if not speaks:
            self._since_ms = None
        elif self._since_ms is None:
            self._since_ms = now_ms
        elif now_ms - self._since_ms >= HOLD_MS:
            self.low, self._since_ms = not self.low, None
        return self.low
