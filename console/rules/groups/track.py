"""One group's way in one guess: where it was noticed last, and where it may be now."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from console.rules.groups.arrival import JITTER_MS, LEG_SPREAD, PACE_SPREAD, Spread, spread
from console.rules.groups.walk import Walk

GONE = 0.002
"""The chance on each leg that a group leaves by a side door or turns back."""
AHEAD = 4
"""So many stations ahead of its anchor a group that is noticed nowhere is thought of."""
LEAST = 1e-6
FAR = 2e-4
"""A chance so small to have come so far unnoticed makes no difference to what is shown."""
_CLAMP = 2.5


@dataclass(frozen=True, slots=True)
class Track:
    """`station` is the last one passed, -1 at the entrance; `at_ms` when.

    `seen` tells a trigger or the operator's word from a conclusion. `pace` is the logarithm of the
    group's time over the usual one, `pace_var` its variance. `passed_ms` holds when it passed each
    station so far, `noticed` where and when it was really noticed; `lag_ms` is how late its last
    straggler came after its head. `gone` is the chance that it is no longer on the walk at all.
    """

    group: int
    size: int
    station: int
    at_ms: float
    seen: bool = True
    pace: float = 0.0
    pace_var: float = PACE_SPREAD**2
    passed_ms: tuple[float, ...] = ()
    noticed: tuple[tuple[int, float], ...] = ()
    lag_ms: float = 0.0
    gone: float = GONE

    def to(self, walk: Walk, station: int) -> Spread:
        """The spread of its time from the anchor to a later station."""
        way = walk.place_ms(station) - walk.place_ms(self.station)
        extra = 0.0 if self.seen else 0.3 * walk.legs_ms[self.station]
        return spread(way, station - self.station, self.pace, self.pace_var, extra)

    def arrive(self, walk: Walk, station: int, now_ms: float) -> Track:
        """The track after it was noticed at a station."""
        way = walk.place_ms(station) - walk.place_ms(self.station)
        elapsed = max(now_ms - self.at_ms, 1.0)
        seen_var = LEG_SPREAD**2 / (station - self.station) + (JITTER_MS / way) ** 2
        off = math.log(elapsed / way) - self.pace
        # One long stop says little about how fast the group walks on.
        most = _CLAMP * math.sqrt(seen_var + self.pace_var)
        gain = self.pace_var / (self.pace_var + seen_var)
        return replace(
            self,
            station=station,
            at_ms=now_ms,
            seen=True,
            pace=self.pace + gain * max(-most, min(most, off)),
            pace_var=max(self.pace_var * (1 - gain), 0.05**2),
            passed_ms=self._passed(walk, station, now_ms),
            noticed=(*self.noticed, (station, now_ms)),
            gone=GONE,
        )

    def bump(self, walk: Walk, station: int, now_ms: float, gone: float) -> Track:
        """The track after it passed a station unnoticed, or is gone: a later group is there."""
        expected = self.at_ms + self.to(walk, station).median_ms
        at_ms = max(self.at_ms, min(now_ms, expected))
        return replace(
            self,
            station=station,
            at_ms=at_ms,
            seen=False,
            passed_ms=self._passed(walk, station, at_ms),
            gone=gone,
        )

    def place(self, walk: Walk, station: int, now_ms: float) -> Track:
        """The track after the operator has said that it is just past this station."""
        if station >= self.station:
            passed = self._passed(walk, station, now_ms)
        else:
            passed = self.passed_ms[: station + 1]
        # What the follower had made of it was wrong: nothing is to be learned from that.
        return replace(self, station=station, at_ms=now_ms, passed_ms=passed, noticed=(), gone=GONE)

    def _passed(self, walk: Walk, station: int, at_ms: float) -> tuple[float, ...]:
        begin, here = walk.place_ms(self.station), walk.place_ms(station)
        between = [
            self.at_ms + (walk.place_ms(i) - begin) / (here - begin) * (at_ms - self.at_ms)
            for i in range(self.station + 1, station)
        ]
        ends = [at_ms] if station > self.station else []
        return (*self.passed_ms, *between, *ends)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where a track may be now. `unnoticed` is the chance that nothing more was noticed of it.

    `at` holds (last station passed, probability) and sums up to 1 with `gone`.
    """

    unnoticed: float
    at: tuple[tuple[int, float], ...]
    gone: float

    def beyond(self, station: int) -> float:
        """The chance that it does not come to this station any more."""
        return self.gone + sum(p for at, p in self.at if at >= station)


def outlook(track: Track, walk: Walk, miss: Sequence[float], now_ms: float) -> Outlook:
    """Where a track may be, given that nothing was noticed of it since its anchor.

    `miss` is for each station the chance to pass it unnoticed.
    """
    elapsed = now_ms - track.at_ms
    exit_ = walk.exit
    chances: list[tuple[int, float]] = []
    unseen = 1.0
    passed = 1.0
    station = track.station
    while station < exit_:
        beyond = track.to(walk, station + 1).passed(elapsed)
        beyond = min(beyond, passed)
        chances.append((station, unseen * (passed - beyond)))
        passed = beyond
        station += 1
        if station < exit_:
            unseen *= miss[station]
        if unseen * passed < LEAST or (station > track.station + AHEAD and unseen < 0.5):
            break
    else:
        chances.append((exit_, unseen * passed))
    stays = 1 - track.gone
    total = sum(p for _, p in chances) * stays + track.gone
    return Outlook(total, tuple((at, p * stays / total) for at, p in chances), track.gone / total)


def arrival_rate(
    track: Track, walk: Walk, miss: Sequence[float], station: int, now_ms: float, unnoticed: float
) -> float:
    """How likely the head of a group comes to a station ahead just now, per ms."""
    unseen = 1.0
    for at in range(track.station + 1, station):
        unseen *= miss[at]
        if unseen < FAR:
            return 0.0
    rate = track.to(walk, station).rate(now_ms - track.at_ms)
    return rate * unseen * (1 - track.gone) / max(unnoticed, LEAST)


FEET_RATE = 6e-5
"""Triggers per ms by those who walk right behind the head of a group."""
PER_GUEST_MS = 1500.0
TAIL_MS = 3000.0
STRAGGLERS = 0.15
"""The share of groups with somebody far behind."""
STRAGGLE_MS = 12_000.0
LAG_GROWS = 1.5
"""A straggler may be so much later at the next station."""
LONGEST_LAG_MS = 60_000.0
LEAST_SHARE = 0.005
SETTLED_MS = 30_000.0


def tail_ms(track: Track) -> float:
    """How long after the head of a group its last may come."""
    return PER_GUEST_MS * track.size + TAIL_MS + max(LAG_GROWS * track.lag_ms, 2 * STRAGGLE_MS)


def tail_rate(track: Track, station: int, now_ms: float, miss: float) -> float:
    """Triggers per ms at a station by those behind the head of a group that has passed it.

    Stations that it passed a while ago, and where nobody came after the others, speak against
    stragglers; one that was noticed there is expected here, too.
    """
    since = now_ms - track.passed_ms[station]
    reach = PER_GUEST_MS * track.size + TAIL_MS
    if since <= reach:
        return FEET_RATE
    lag = track.lag_ms
    if lag and 0.4 * lag <= since <= LAG_GROWS * lag + TAIL_MS:
        return 1 / (1.1 * lag + TAIL_MS)
    settled = sum(1 for at, ms in track.noticed if 0 <= at < station and now_ms - ms > SETTLED_MS)
    share = max(LEAST_SHARE, miss**settled)
    return STRAGGLERS * share / STRAGGLE_MS * math.exp(-(since - reach) / STRAGGLE_MS)
