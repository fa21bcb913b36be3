"""The walk as the follower sees it: a row of stations that every group passes in order.

A station is a prop; behind the last one comes the exit. Leg number i leads to station i, from the
one before it or from the entrance.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

from console.site.models import Site

SHORTEST_LEG_MS = 1000.0


@dataclass(frozen=True, slots=True)
class Walk:
    """Stations in walking order. `legs_ms` has one more entry than `props`: the way out.

    `places_ms` are walking times from the entrance to each station and to the exit; `ends_ms`
    those to the end of each zone.
    """

    props: tuple[str, ...]
    zone_of: tuple[str, ...]
    zones: tuple[str, ...]
    legs_ms: tuple[float, ...]
    ends_ms: tuple[float, ...]
    places_ms: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "places_ms", tuple(accumulate(self.legs_ms)))

    @property
    def exit(self) -> int:
        """The number of the exit: one more than that of the last station."""
        return len(self.props)

    @property
    def total_ms(self) -> float:
        """From the entrance to the exit."""
        return self.places_ms[-1]

    def place_ms(self, station: int) -> float:
        """Walking time from the entrance to a station; -1 is the entrance."""
        return self.places_ms[station] if station >= 0 else 0.0

    def zone_at(self, place_ms: float) -> str:
        """The zone at a walking time from the entrance; the last one also beyond the exit."""
        at = bisect_right(self.ends_ms, place_ms)
        return self.zones[min(at, len(self.zones) - 1)]

    def zone_times_ms(self) -> dict[str, float]:
        """How long each zone takes."""
        begins = (0.0, *self.ends_ms)
        return {zone: self.ends_ms[i] - begins[i] for i, zone in enumerate(self.zones)}

    def before_zone(self, zone: str) -> int:
        """The last station before a zone, -1 where there is none; raises ValueError for no zone."""
        at = self.zones.index(zone)
        earlier = set(self.zones[:at])
        return sum(1 for name in self.zone_of if name in earlier) - 1

    def with_legs(self, legs_ms: Sequence[float]) -> Walk:
        """The same walk with other legs; the ends of zones move along with them."""
        legs = tuple(max(SHORTEST_LEG_MS, leg) for leg in legs_ms)
        old = (0.0, *self.places_ms)
        new = (0.0, *accumulate(legs))
        ends = []
        for end in self.ends_ms:
            i = min(max(bisect_right(old, end) - 1, 0), len(legs) - 1)
            share = (end - old[i]) / (old[i + 1] - old[i])
            ends.append(new[i] + share * (new[i + 1] - new[i]))
        return replace(self, legs_ms=legs, ends_ms=tuple(ends), places_ms=())


def walk_of(site: Site) -> Walk:
    """The walk by the site file alone: each zone's props stand evenly along it."""
    props: list[str] = []
    zone_of: list[str] = []
    places: list[float] = []
    ends: list[float] = []
    begin = 0.0
    for zone in site.zones:
        here = site.props_of_zone(zone.name)
        for i, prop in enumerate(here, start=1):
            props.append(prop.name)
            zone_of.append(zone.name)
            places.append(begin + zone.walk_ms * i / (len(here) + 1))
        begin += zone.walk_ms
        ends.append(begin)
    places.append(begin)
    legs = tuple(b - a for a, b in zip((0.0, *places), places, strict=False))
    return Walk(
        tuple(props), tuple(zone_of), tuple(z.name for z in site.zones), legs, tuple(ends)
    )  # fmt: skip
