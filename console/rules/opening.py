"""The opening check: what must hold before guests come in, in the order in which it is walked.

Some of it is judged by itself, from what boards, sensors and the ledger say; the rest is said by a
named person who stands there. It closes single props, never the night.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from console.figures.units import quantity
from console.rules.airuse import need_psi
from console.site.models import Controller, Motion, OutputKind, Prop, Site

SITE = "site"
"""The subject of what belongs to no prop and no controller."""
TRAVEL_SHARE = 1.5
"""A motion may take this much of the time that the site file gives it."""

Key = tuple[str, str]
"""Subject and item."""


class How(StrEnum):
    """Who judges an item."""

    ITSELF = "by itself"  # from what boards, sensors and the ledger say
    EITHER = "by itself or by hand"  # by itself, or a named person accepts it as it is
    HAND = "by hand"  # a named person says so
    READING = "by reading"  # a named person reads a figure off
    WATCHED = "watched"  # a named person watched a test that its board has recorded


class Part(StrEnum):
    """The parts of the walk that are no zone."""

    BEFORE = "before"  # before anybody sets out
    STOPS = "stops"  # one walk for all stops: each press stops everything until it is cleared
    LAST = "last"  # just before guests come in
    CLOSING = "closing"  # when the last guest is out


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to be seen to. `part` is a zone's name or a `Part`."""

    subject: str
    id: str
    part: str
    title: str
    how: How
    todo: str
    needed: bool = True
    """Whether something stays closed, or open, without it; a warm-up is only offered."""

    @property
    def key(self) -> Key:
        """What it is known by."""
        return self.subject, self.id


@dataclass(frozen=True, slots=True)
class Result:
    """An item that is done; `by` is empty where it was judged by itself."""

    by: str
    wall_ns: int
    reading: str = ""


Results = Mapping[Key, Result]


@dataclass(frozen=True, slots=True)
class Kept:
    """What the ledger says of the open night's checks."""

    results: Results = field(default_factory=dict)
    shift: tuple[str, ...] = ()
    """Who is signed in, in the order of coming."""
    rechecked: Mapping[str, int] = field(default_factory=dict)
    """When the items of a prop were begun anew, in wall ns."""
    closing: bool = False
    leak_test_ns: int = 0
    """When the newest leak test of all nights was; 0 for never."""


def opening_items(site: Site, *, cold: bool = False) -> tuple[Item, ...]:
    """The whole opening check in walking order."""
    return (
        *_before(site),
        *(i for z in site.zones for p in site.props_of_zone(z.name) for i in _of_prop(p, cold)),
        *_stops(site),
        *(
            Item(SITE, f"exit-{n}", Part.LAST, text, How.HAND, "Go there and see it yourself.")
            for n, text in enumerate(site.opening.exits, 1)
        ),
        *(
            Item(SITE, f"chore-{n}", Part.LAST, text, How.HAND, "Done, by whom?")
            for n, text in enumerate(site.opening.chores, 1)
        ),
    )


def closing_items(site: Site) -> Iterator[Item]:
    """What is to be done when the last guest is out."""
    part, hand = Part.CLOSING, How.HAND
    for zone in site.zones:
        for prop in site.props_of_zone(zone.name):
            if prop.park:
                yield Item(prop.name, "park", part, f"{prop.title}: {prop.park}", hand, prop.park)
    if any(prop.motions for prop in site.props):
        where = f" ({site.air.isolate})" if site.air.isolate else ""
        yield Item(
            SITE, "bleed", part, f"air closed and bled down{where}", hand,
            "Close the main valve, bleed the lines until every gauge reads 0: what is left in them "
            "moves things tomorrow.",
        )  # fmt: skip
    if site.air.tank is not None:
        where = f" ({site.air.tank.where})" if site.air.tank.where else ""
        yield Item(
            SITE, "drain", part, f"water drained from the tank{where}", hand,
            "Open the drain until no water comes.",
        )  # fmt: skip
    for n, text in enumerate(site.opening.closing_chores, 1):
        yield Item(SITE, f"closing-{n}", part, text, hand, "Done, by whom?")


def _before(site: Site) -> Iterator[Item]:
    opening, air = site.opening, site.air
    if opening.warm_up_below_degf is not None:
        yield Item(
            SITE, "temperature", Part.BEFORE, "temperature read outdoors", How.READING,
            f"Below {opening.warm_up_below_degf:.0f} degF warm-up strokes are offered: seals are "
            "stiff and valves slow.",
            needed=False,
        )  # fmt: skip
    if (least := target_psi(site)) > 0:
        how = How.ITSELF if air.sensor is not None else How.READING
        yield Item(
            SITE, "air", Part.BEFORE, "pressure reached", how,
            f"The tank must hold {least:.0f} psi: wait for the compressor.",
        )  # fmt: skip
    if opening.leak_test_days is not None and air.tank is not None:
        yield Item(
            SITE, "leak-test", Part.BEFORE,
            f"leak test in the last {opening.leak_test_days} days", How.ITSELF,
            "L records one, `sexton air test` leads through it.",
        )  # fmt: skip
    yield Item(
        SITE, "tags", Part.BEFORE, "tags cleared or accepted", How.EITHER,
        "Whose tag is on a prop lifts it, or somebody accepts that it stays out tonight.",
    )  # fmt: skip


def _of_prop(prop: Prop, cold: bool) -> Iterator[Item]:
    name, zone = prop.name, prop.zone
    yield Item(
        name, "found", zone, "found", How.ITSELF,
        "Its controller must answer: check its power and its cable.",
    )  # fmt: skip
    yield Item(
        name, "matches", zone, "sequences match", How.ITSELF,
        "Its controller must hold what the site file says; U sends it.",
    )  # fmt: skip
    if cold and prop.warm_up_strokes and prop.motions:
        yield Item(
            name, "warm-up", zone, f"warm-up, {counted(warm_up_tests(prop), 'test')}", How.ITSELF,
            "It is cold: run it with t this often before it counts.", needed=False,
        )  # fmt: skip
    yield Item(
        name, "tested", zone, "test-fired, somebody watching", How.WATCHED,
        "Stand where you see it, nobody within reach: t runs it. Then say that you watched.",
    )  # fmt: skip
    if any(ends_of(motion) for motion in prop.motions):
        yield Item(
            name, "travel", zone, "travel times within limits", How.ITSELF,
            "Every end sensor must see its motion in time in a test: look for what holds it.",
        )  # fmt: skip
    if prop.set_pressure_psi is not None and prop.motions:
        yield Item(
            name, "gauge", zone, f"gauge reads {prop.set_pressure_psi:.0f} psi", How.READING,
            "Read the gauge at the prop; set its regulator where it is off by more than a tenth.",
        )  # fmt: skip


def _stops(site: Site) -> Iterator[Item]:
    for controller in walked(site):
        if controller.stop_input:
            yield Item(
                controller.name, "stop-input", Part.STOPS, f"stop pressed: {controller.where}",
                How.ITSELF, "Press it, see that everything stops, and release it.",
            )  # fmt: skip
    yield Item(
        SITE, "all-stop", Part.STOPS, "all-stop confirmed by every controller", How.ITSELF,
        "Stop everything once; every controller must confirm in time. Then clear it.",
    )  # fmt: skip
    yield Item(
        SITE, "stop-key", Part.STOPS, "stop key of this keyboard pressed", How.ITSELF,
        "Press F9 or Ctrl+X at the desk, as you would in earnest. Then clear it.",
    )  # fmt: skip


def walked(site: Site) -> tuple[Controller, ...]:
    """The controllers in the order in which their first props are passed."""
    names = [p.controller for z in site.zones for p in site.props_of_zone(z.name)]
    return tuple(site.controller(name) for name in dict.fromkeys(names))


def is_cold(site: Site, results: Results) -> bool:
    """Whether tonight's temperature was read below the limit of the site file."""
    found, limit = results.get((SITE, "temperature")), site.opening.warm_up_below_degf
    if found is None or limit is None:
        return False
    return quantity(found.reading, "degF") < limit


def warm_up_tests(prop: Prop) -> int:
    """How many tests give a prop its warm-up strokes with its default sequence."""
    moving = {c.output for c in prop.channels if c.kind is OutputKind.MOTION}
    steps = prop.sequence(prop.default_sequence).steps
    strokes = sum(step.output in moving for step in steps)
    return -(-prop.warm_up_strokes // max(strokes, 1))


def target_psi(site: Site) -> float:
    """The tank's pressure to open with: enough for every prop, and where a compressor rests."""
    cut_in = site.air.compressor.cut_in_psi if site.air.compressor else 0.0
    return max(need_psi(site), cut_in)


def left(items: Iterable[Item], results: Results) -> list[Item]:
    """The needed items that are not done, in their order; the first is the next one."""
    return [item for item in items if item.needed and item.key not in results]


def unchecked(site: Site, items: Iterable[Item], results: Results) -> frozenset[str]:
    """The props whose own items, or whose controller's stop, have not passed."""
    subjects = {item.subject for item in left(items, results)}
    return frozenset(p.name for p in site.props if {p.name, p.controller} & subjects)


def ends_of(motion: Motion) -> list[tuple[str, str, float]]:
    """The ends of a motion that a sensor sees: motion, direction, limit in ms."""
    sensor = motion.end_sensor
    return [
        (motion.name, direction, TRAVEL_SHARE * stated)
        for end, direction, stated in (
            (sensor.out, "out", motion.travel_ms),
            (sensor.home, "back", motion.return_ms),
        )
        if end is not None
    ]


def counted(n: int, thing: str) -> str:
    """`1 test`, `3 tests`."""
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"
