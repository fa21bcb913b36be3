"""Walking times, learned from groups that were followed: robust, and weighted to tonight."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from console.rules.groups.walk import Walk

PRIOR_WEIGHT = 4.0
"""What the site file says counts as so many groups of an earlier night."""
TONIGHT_WEIGHT = 4.0
"""A group of tonight counts as so many of an earlier night: guests, floor and weather differ."""
EARLIER_GROUPS = 200
"""So many groups of earlier nights are looked at, the newest."""


class Span(NamedTuple):
    """A group was noticed at two stations, `ms` apart; -1 is the entrance."""

    begin: int
    end: int
    ms: float
    tonight: bool = True


def spans_of(noticed: Iterable[tuple[int, float]], *, tonight: bool = True) -> list[Span]:
    """The spans between the places where one group was noticed, in their order."""
    places = list(noticed)
    return [
        Span(a[0], b[0], b[1] - a[1], tonight)
        for a, b in pairwise(places)
        if b[0] > a[0] and b[1] > a[1]
    ]


def learned(by_file: Walk, spans: Iterable[Span]) -> Walk:
    """The walk with legs as groups walk them: a weighted median, so odd ones hardly count."""
    seen: list[list[tuple[float, float]]] = [[(1.0, PRIOR_WEIGHT)] for _ in by_file.legs_ms]
    for span in spans:
        if not -1 <= span.begin < span.end <= by_file.exit:
            continue
        usual = by_file.place_ms(span.end) - by_file.place_ms(span.begin)
        weight = (TONIGHT_WEIGHT if span.tonight else 1.0) / (span.end - span.begin)
        for leg in range(span.begin + 1, span.end + 1):
            seen[leg].append((span.ms / usual, weight))
    return by_file.with_legs(
        [leg * _median(ratios) for leg, ratios in zip(by_file.legs_ms, seen, strict=True)]
    )


def _median(weighted: list[tuple[float, float]]) -> float:
    weighted.sort()
    half = sum(weight for _, weight in weighted) / 2
    run = 0.0
    for i, (value, weight) in enumerate(weighted):
        run += weight
        if run > half:
            return value
        if run == half:
            return (value + weighted[i + 1][0]) / 2
    return weighted[-1][0]
