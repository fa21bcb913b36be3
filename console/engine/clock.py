"""Time as the engine knows it: one monotonic and one wall reading, injected everywhere."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Now:
    """One moment. Durations and order come from `mono_ms`, dates from `wall_ns` (UTC)."""

    mono_ms: float
    wall_ns: int

    def wall_of(self, mono_ms: float) -> int:
        """The wall clock, as it is set now, of another moment of the monotonic clock."""
        return self.wall_ns + round((mono_ms - self.mono_ms) * 1e6)


class Clock(Protocol):
    """Where moments come from."""

    def now(self) -> Now:
        """This moment."""
        ...


class SystemClock:
    """The machine's clocks."""

    def now(self) -> Now:
        """This moment."""
        return Now(time.monotonic_ns() / 1e6, time.time_ns())
