"""A tank that nobody measures: many guesses at once, and how far they spread.

A compressor's switch makes two nearly equal tanks drift apart until one fills while the other
empties, so a single prediction would be sure and wrong. Guesses with slightly different leaks,
appetites, compressors and switches drift apart as the real tank does; their mean and spread say
what is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from console.rules.airfilter import USUAL_HEAT, Warmth
from console.rules.airswitch import CompressorSwitch

_COUNT = 24
# By how much what the site file says is off, as a standard deviation: shares, and psi for switches.
_LEAK, _APPETITE, _STRENGTH, _SWITCH_PSI = 0.25, 0.10, 0.07, 1.5


@dataclass(slots=True)
class _Guess:
    psi: float
    leak: float
    appetite: float
    strength: float
    switch: CompressorSwitch
    warmth: Warmth


def _even(index: int, base: int) -> float:
    """A normal score from a sequence that fills the space evenly, the same every time.

    Source: J. H. Halton (1960); the score by the logistic approximation of the normal.
    """
    share, digit, at = 0.0, 1.0, index
    while at:
        digit /= base
        share += digit * (at % base)
        at //= base
    return math.log(share / (1 - share)) / 1.702


class TankGuesses:
    """Several tanks that all could be the real one."""

    def __init__(
        self,
        scf_per_psi: float,
        cut_in_psi: float,
        cut_out_psi: float,
        *,
        psi: float,
        psi_sigma: float,
        leak_scfm: float,
    ) -> None:
        self._scf_per_psi = scf_per_psi
        self._guesses = []
        for at in range(1, _COUNT + 1):
            switch = CompressorSwitch(
                cut_in_psi + _SWITCH_PSI * _even(at, 7), cut_out_psi + _SWITCH_PSI * _even(at, 11)
            )
            start = max(0.0, psi + psi_sigma * _even(at, 13))
            switch.by_pressure(start)
            self._guesses.append(
                _Guess(
                    start,
                    leak_scfm * max(0.0, 1 + _LEAK * _even(at, 2)),
                    1 + _APPETITE * _even(at, 3),
                    1 + _STRENGTH * _even(at, 5),
                    switch,
                    Warmth(),
                )
            )

    def step(self, minutes: float, rating_scfm: float, used_scf: float, leak_share: float) -> None:
        """Let a step pass: the compressor's rating at this pressure, what props took, the leak."""
        for guess in self._guesses:
            gives = rating_scfm * guess.strength * minutes if guess.switch.on else 0.0
            takes = used_scf * guess.appetite + guess.leak * leak_share * minutes
            comes, goes = gives / self._scf_per_psi, takes / self._scf_per_psi
            warmer = guess.warmth.step(minutes, comes, goes)
            guess.psi = max(0.0, guess.psi + comes - goes + USUAL_HEAT * warmer)
            guess.switch.by_pressure(guess.psi)

    @property
    def psi(self) -> float:
        """The mean of the guesses."""
        return sum(guess.psi for guess in self._guesses) / _COUNT

    @property
    def sigma_psi(self) -> float:
        """Their spread."""
        mean = self.psi
        return math.sqrt(sum((guess.psi - mean) ** 2 for guess in self._guesses) / _COUNT)

    @property
    def on(self) -> bool:
        """Whether the compressor runs in most of them."""
        return 2 * sum(guess.switch.on for guess in self._guesses) > _COUNT
