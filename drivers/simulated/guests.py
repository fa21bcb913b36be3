"""Guests who walk through a plant in groups, zone by zone, and what they do to its sensors."""

from __future__ import annotations

import heapq
import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers.simulated.description import GuestSpec, PlantDescription, SensorKind, SensorSpec

_BOUNCE_S = 0.004
_BOUNCES = 3
_BUTTON_CHANCE = 0.08
_STRAY_CHANCE = 0.02


@dataclass(frozen=True, slots=True, order=True)
class Touch:
    """At this moment one more (or one less) reason for a sensor to be active."""

    at_us: int
    sensor: int
    by: int


@dataclass(frozen=True, slots=True)
class _Stop:
    """A sensor on the walk: how many seconds from the entrance."""

    sensor: int
    spec: SensorSpec
    at_s: float


class Guests:
    """Lets groups in and gives the touches of sensors in the order of time.

    `speed` makes them come and walk faster; how long a foot stays on a mat it leaves alone.
    """

    def __init__(
        self,
        description: PlantDescription,
        rng: random.Random,
        start_us: int,
        *,
        groups_per_hour: float | None = None,
        speed: float = 1.0,
    ) -> None:
        self._spec: GuestSpec = description.guests
        rate = self._spec.groups_per_hour if groups_per_hour is None else groups_per_hour
        self._every_s = 3600.0 / rate if rate > 0 else math.inf
        self._speed = speed
        self._rng = rng
        self._stops = _stops(description)
        self._last_at: dict[int, float] = {}
        self._waiting: list[Touch] = []
        self.groups = 0
        """How many groups were let in."""
        self.entered: Callable[[int], None] = lambda size: None
        """Called with its size as a group is let in."""
        self._start_us = start_us
        self._next_s = self._fill(sum(zone.walk_s for zone in description.zones))

    @property
    def next_us(self) -> int | None:
        """When the next touch, or the next group, comes; None if none ever does."""
        times = [self._waiting[0].at_us] if self._waiting else []
        if math.isfinite(self._next_s):
            times.append(self._us(self._next_s))
        return min(times, default=None)

    def take(self, now_us: int) -> Iterator[Touch]:
        """The touches up to now, in order."""
        while math.isfinite(self._next_s) and self._us(self._next_s) <= now_us:
            self.entered(self._enter(self._next_s))
            self._next_s += self._gap()
        while self._waiting and self._waiting[0].at_us <= now_us:
            yield heapq.heappop(self._waiting)

    def _fill(self, walk_s: float) -> float:
        """Guests are on their way already when the world begins; when the next group comes."""
        if not math.isfinite(self._every_s):
            return math.inf
        at_s = -walk_s + self._gap() * self._rng.random()
        while at_s < 0.0:
            self._enter(at_s)
            at_s += self._gap()
        return at_s

    def _gap(self) -> float:
        least = min(self._spec.least_gap_s, 0.8 * self._every_s)
        return least + self._rng.expovariate(1.0 / (self._every_s - least))

    def _us(self, walk_s: float) -> int:
        return self._start_us + round(walk_s / self._speed * 1e6)

    def _enter(self, at_s: float) -> int:
        """Let a group in at that time of the walk; its size."""
        rng, self.groups = self._rng, self.groups + 1
        pace = math.exp(rng.gauss(0.0, self._spec.spread))
        size = rng.randint(1, self._spec.largest)
        for stop in self._stops:
            reach_s = at_s + stop.at_s * pace
            # Nobody overtakes: a fast group waits behind a slow one.
            reach_s = max(reach_s, self._last_at.get(stop.sensor, -math.inf) + 3.0)
            self._last_at[stop.sensor] = reach_s
            self._pass(stop, reach_s, size)
        return size

    def _pass(self, stop: _Stop, reach_s: float, size: int) -> None:
        rng, kind = self._rng, stop.spec.kind
        if kind is SensorKind.BUTTON:
            if rng.random() < _BUTTON_CHANCE:
                self._touch(stop, self._us(reach_s + 1.0), rng.uniform(0.1, 0.4))
        elif kind is SensorKind.AREA:
            if rng.random() < _STRAY_CHANCE:
                self._touch(stop, self._us(reach_s), rng.uniform(1.0, 4.0))
        else:
            for guest in range(size):
                at_us = self._us(reach_s + guest * rng.uniform(0.7, 1.6))
                self._touch(stop, at_us, _lasts(kind, rng))

    def _touch(self, stop: _Stop, at_us: int, seconds: float) -> None:
        if at_us < self._start_us:
            return
        end_us = at_us + round(seconds * 1e6)
        if stop.spec.kind in (SensorKind.MAT, SensorKind.BUTTON):
            # Contacts bounce as they close.
            for _ in range(self._rng.randint(0, _BOUNCES)):
                opens_us = at_us + round(self._rng.uniform(0.0, _BOUNCE_S) * 1e6)
                self._push(opens_us, stop.sensor, -1)
                self._push(opens_us + 500, stop.sensor, 1)
        self._push(at_us, stop.sensor, 1)
        self._push(end_us, stop.sensor, -1)

    def _push(self, at_us: int, sensor: int, by: int) -> None:
        heapq.heappush(self._waiting, Touch(at_us, sensor, by))


def _lasts(kind: SensorKind, rng: random.Random) -> float:
    if kind is SensorKind.MAT:
        return rng.uniform(0.35, 0.9)
    if kind is SensorKind.BEAM:
        return rng.uniform(0.12, 0.35)
    return rng.uniform(1.5, 2.5)


def _stops(description: PlantDescription) -> list[_Stop]:
    begins: dict[str, float] = {}
    walks: dict[str, float] = {}
    at_s = 0.0
    for zone in description.zones:
        begins[zone.name], walks[zone.name] = at_s, zone.walk_s
        at_s += zone.walk_s
    stops = [
        _Stop(number, spec, begins[spec.zone] + spec.at * walks[spec.zone])
        for number, spec in enumerate(description.sensors)
    ]
    return sorted(stops, key=lambda stop: stop.at_s)
