"""When a board's clock reading was, on the clock of this machine.

Each poll brackets one reading between its sending and its answer; half the round trip is the bound.
The best bracket counts, until drift has made a newer one better. Crystals are taken to be within
100 ppm.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

DRIFT = 100e-6
"""How far two crystals may part, as a share of the time gone by."""

_WRAP = 1 << 32
_READING_MS = 1.0
"""A board's clock shows whole milliseconds."""


@dataclass(frozen=True, slots=True)
class Sample:
    """At `mono_ms`, give or take `half_ms`, the board's clock read `board_ms`."""

    board_ms: int
    mono_ms: float
    half_ms: float


class BoardClock:
    """The clock of one board in one boot."""

    def __init__(self) -> None:
        self._samples: deque[Sample] = deque(maxlen=32)
        self._best: Sample | None = None

    def add(self, board_ms: int, sent_ms: float, received_ms: float) -> None:
        """Take a reading that was asked for at `sent_ms` and came at `received_ms`."""
        half = max(0.0, received_ms - sent_ms) / 2 + _READING_MS
        self._samples.append(Sample(board_ms, (sent_ms + received_ms) / 2, half))
        self._best = min(
            self._samples, key=lambda s: s.half_ms + DRIFT * abs(received_ms - s.mono_ms)
        )

    @property
    def best(self) -> Sample | None:
        """The reading that tells most now; None before the first."""
        return self._best

    def to_mono(self, board_ms: int) -> tuple[float, float] | None:
        """(monotonic ms, bound ms) of a reading of the board's clock; None while unknown."""
        best = self._best
        if best is None:
            return None
        away = ms_between(best.board_ms, board_ms)
        return best.mono_ms + away, best.half_ms + DRIFT * abs(away)


def ms_between(earlier: int, later: int) -> int:
    """From one reading to another in ms, across the wrap of 32 bits; negative backwards."""
    away = (later - earlier) % _WRAP
    return away - _WRAP if away >= _WRAP // 2 else away
