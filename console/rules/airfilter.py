"""A Kalman filter for one tank: pressure, leak, compressor, the props' appetite, heat.

The state is small and its transition is the identity but for the pressure's row, so the matrix
work is written out. Pressures are gauge in psi, flows free air in scfm, times minutes.

Source: R. E. Kalman, A New Approach to Linear Filtering and Prediction Problems (1960); the
balance is V dp / 14.7 = compressor - props - leak at room temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

PRESSURE, LEAK, STRENGTH, APPETITE, HEAT = range(5)
"""Places in the state."""

_ALL, _REST = range(5), range(1, 5)

# How far each may wander by itself in a minute, as a standard deviation.
_WANDER = (0.12, 0.035, 0.006, 0.006, 0.01)
_UNSETTLED_PSI = 1.6
"""The same for the pressure while air is still hot, or nobody knows whether the compressor runs."""

_OUTLIER = 6.0
_LIMITS = ((-14.7, 400.0), (-0.5, 1e3), (0.0, 2.0), (0.3, 2.5), (0.0, 2.0))

USUAL_HEAT = 0.7
"""How much of the reckoned warmth a tank shows before anybody has watched it."""


_HEAT_IN = 0.50
_HEAT_OUT = 0.40
_COOLS_MIN = 1.3


@dataclass(frozen=True, slots=True)
class Flows:
    """What moved in a step of `minutes`: the compressor's rating at this pressure, 0 when it is
    off; what the props should have taken by the site file; and the leak's share at this pressure.
    """

    minutes: float
    compressor_scfm: float
    used_scf: float
    leak_share: float
    settled: bool = True


class Warmth:
    """What a tank shows more or less while its air is warmer or colder than its wall.

    Air that comes in hot adds k T / T0 - 1 of its pressure for a while, air that leaves takes k - 1
    with it, k = 1.4; the wall takes it back.

    Source: first law for a vessel that is filled and emptied. The air's 315 K on its way in and the
    wall's 80 s are guesses for a small tank beside its compressor.
    """

    def __init__(self) -> None:
        self.psi = 0.0

    def step(self, minutes: float, in_psi: float, out_psi: float) -> float:
        """Let a step pass in which flows moved the pressure so far; return the change."""
        fade = math.exp(-minutes / _COOLS_MIN)
        # What comes evenly over the step has cooled in part by its end.
        fresh = (1 - fade) * _COOLS_MIN / minutes if minutes > 0 else 1.0
        before = self.psi
        self.psi = before * fade + (_HEAT_IN * in_psi - _HEAT_OUT * out_psi) * fresh
        return self.psi - before


class TankFilter:
    """Mean and covariance of the state; `scf_per_psi` is the tank's."""

    def __init__(
        self,
        scf_per_psi: float,
        psi: float,
        leak_scfm: float,
        *,
        psi_sigma: float,
        leak_sigma: float,
    ) -> None:
        self._scf_per_psi = scf_per_psi
        self.mean = [psi, leak_scfm, 1.0, 1.0, USUAL_HEAT]
        spread = (psi_sigma, leak_sigma, 0.10, 0.15, 0.4)
        self.cov = [[spread[i] ** 2 if i == j else 0.0 for j in _ALL] for i in _ALL]
        self._refused = 0
        self.warmth = Warmth()

    def sigma(self, place: int) -> float:
        """The standard deviation of one part of the state."""
        return math.sqrt(max(self.cov[place][place], 0.0))

    def predict(self, flows: Flows) -> None:
        """Let the time of one step pass. The state's pressure is the one that a gauge shows."""
        per_scf = 1 / self._scf_per_psi
        slopes = [
            0.0,
            -flows.leak_share * flows.minutes * per_scf,
            flows.compressor_scfm * flows.minutes * per_scf,
            -flows.used_scf * per_scf,
            0.0,
        ]
        mean, cov = self.mean, self.cov
        comes_psi = slopes[STRENGTH] * mean[STRENGTH]
        goes_psi = -slopes[LEAK] * mean[LEAK] - slopes[APPETITE] * mean[APPETITE]
        warmer_psi = self.warmth.step(flows.minutes, comes_psi, goes_psi)
        slopes[HEAT] = warmer_psi
        mean[PRESSURE] += comes_psi - goes_psi + warmer_psi * mean[HEAT]
        # F P F' with F the identity but for its first row.
        first = [cov[0][j] + sum(slopes[i] * cov[i][j] for i in _REST) for j in _ALL]
        first[0] += sum(first[i] * slopes[i] for i in _REST)
        for j in _ALL:
            cov[0][j] = cov[j][0] = first[j]
        for i, wander in enumerate(_WANDER):
            cov[i][i] += wander * wander * flows.minutes
        if not flows.settled:
            cov[0][0] += _UNSETTLED_PSI**2 * flows.minutes
        self._bound()

    def correct(self, measured_psi: float, sigma_psi: float) -> bool:
        """Take a reading. False where it was too far off to be true and was left out."""
        mean, cov = self.mean, self.cov
        off = measured_psi - mean[PRESSURE]
        total = cov[0][0] + sigma_psi * sigma_psi
        if off * off > _OUTLIER**2 * total:
            self._refused += 1
            if self._refused < 4:
                return False
            # It stays there: the tank was filled or emptied by what nobody told.
            self.restart(measured_psi, sigma_psi)
            return True
        self._refused = 0
        gain = [cov[i][0] / total for i in _ALL]
        row = list(cov[0])
        for i in _ALL:
            mean[i] += gain[i] * off
            for j in _ALL:
                cov[i][j] -= gain[i] * row[j]
        self._bound()
        return True

    def restart(self, psi: float, sigma_psi: float) -> None:
        """Begin again at a pressure; what is known of leak, strength and appetite stays."""
        self._refused = 0
        self.mean[PRESSURE] = psi
        for j in _ALL:
            self.cov[0][j] = self.cov[j][0] = 0.0
        self.cov[0][0] = sigma_psi * sigma_psi

    def _bound(self) -> None:
        for i, (low, high) in enumerate(_LIMITS):
            self.mean[i] = min(max(self.mean[i], low), high)
