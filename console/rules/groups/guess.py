"""A guess: one way to explain every trigger so far. The follower weighs a few of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from console.rules.groups.track import (
    LONGEST_LAG_MS,
    PER_GUEST_MS,
    TAIL_MS,
    Outlook,
    Track,
    arrival_rate,
    tail_rate,
)
from console.rules.groups.walk import Walk

FALSE_RATE = 2e-7
"""Triggers per ms at a station where nobody is."""
MISS = 0.05
"""The share of groups that pass a station unnoticed."""


@dataclass(frozen=True, slots=True)
class Guess:
    """Tracks in the order in which they were sent; none is behind a later one.

    `weight` leaves out what silence since the tracks' anchors tells: that is `Outlook.unnoticed`.
    """

    weight: float
    tracks: tuple[Track, ...]

    def likelihood(self, outlook_of: Callable[[Track], Outlook]) -> float:
        """How likely this guess is now, over that of the others."""
        likely = self.weight
        for track in self.tracks:
            likely *= outlook_of(track).unnoticed
        return likely

    def last_past(self, station: int) -> int:
        """The index of the last group past a station, -1 where none is."""
        found = -1
        for i, track in enumerate(self.tracks):
            if track.station < station:
                break
            found = i
        return found

    def tail(self, station: int, now_ms: float) -> float:
        """Triggers per ms by those behind the head of the last group past a station."""
        i = self.last_past(station)
        return tail_rate(self.tracks[i], station, now_ms, MISS) if i >= 0 else 0.0

    def explained(
        self, walk: Walk, miss: Sequence[float], station: int, now_ms: float
    ) -> Iterator[Guess]:
        """Every way to explain a trigger at a station: nobody, a straggler, the head of a group."""
        yield replace(self, weight=self.weight * FALSE_RATE)
        i = self.last_past(station)
        if i >= 0:
            late = self.tracks[i]
            rate = tail_rate(late, station, now_ms, MISS)
            lag_ms = now_ms - late.passed_ms[station]
            if late.size * PER_GUEST_MS + TAIL_MS < lag_ms < LONGEST_LAG_MS:
                late = replace(late, lag_ms=max(late.lag_ms, lag_ms))
            yield Guess(self.weight * rate, (*self.tracks[:i], late, *self.tracks[i + 1 :]))
        tracks = list(self.tracks)
        weight = self.weight * (1 - min(miss[station], 0.5))
        for i, track in enumerate(self.tracks):
            if track.station >= station:
                continue
            rate = arrival_rate(track, walk, miss, station, now_ms, 1.0)
            yield Guess(
                weight * rate,
                (*tracks[:i], track.arrive(walk, station, now_ms), *tracks[i + 1 :]),
            )
            # The next one can be here only if this one went by unnoticed, or is gone.
            unseen = math.prod(miss[track.station + 1 : station + 1])
            unseen *= track.to(walk, station).passed(now_ms - track.at_ms) * (1 - track.gone)
            weight *= unseen + track.gone
            tracks[i] = track.bump(walk, station, now_ms, track.gone / (unseen + track.gone))
