"""The opening check: what must hold before guests come in, in the order in which it is walked.

Some of it is judged by itself, from what boards, sensors and the ledger say; the rest is said by a
named person who stands there. It closes single props, never the night.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from console.figures.units import UnitError, quantity
from console.rules.airuse import need_psi
from console.site.models import Controller, Motion, OutputKind, Prop, Site

SITE = "site"
"""The subject of what belongs to no prop and no controller."""
CONFIRMED_WITHIN_MS = 1500.0
"""A controller that confirms an all-stop later than this counts as silent."""
TRAVEL_SHARE = 1.5
"""A motion may take this much of the time that the site file gives it."""
GAUGE_SHARE = 0.1
"""How far a gauge may stand from the set pressure; home-built regulators creep."""
DAY_NS = 86_400 * 10**9
LONGEST_READING = 60

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


@dataclass(frozen=True, slots=True)
class PropSeen:
    """What is known of a prop. `travels` are the newest of tonight's tests, in ms."""

    online: bool = False
    matches: bool = False
    tests: int = 0
    travels: Mapping[tuple[str, str], int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known at one moment. `stop_ms` is None until tonight's stop is confirmed by all."""

    now_ns: int = 0
    props: Mapping[str, PropSeen] = field(default_factory=dict)
    psi: float | None = None
    tags: tuple[str, ...] = ()
    leak_test_ns: int = 0
    stopped: bool = False
    stop_ms: float | None = None
    stop_silent: tuple[str, ...] = ()
    stop_key: str = ""
    pressed: frozenset[str] = frozenset()
    """Controllers whose hardwired stop was seen open tonight."""
    open_now: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether an item holds, and what is seen of it."""

    holds: bool
    said: str = ""
    ready: bool = True
    """Whether a person may say that it holds, as far as that hangs on what is seen."""


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
            SITE, "leak-test", Part.BEFORE, "leak test not due", How.ITSELF,
            f"One every {opening.leak_test_days} days: L records one, `sexton air test` leads "
            "through it.",
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
            name, "warm-up", zone, f"warm-up, {warm_up_tests(prop)} tests", How.ITSELF,
            "It is cold: run it with t this often before it counts.", needed=False,
        )  # fmt: skip
    yield Item(
        name, "tested", zone, "test-fired, somebody watching", How.WATCHED,
        "Stand where you see it, nobody within reach: t runs it. Then say that you watched.",
    )  # fmt: skip
    if any(_ends(motion) for motion in prop.motions):
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
                controller.name, "stop-input", Part.STOPS, f"stop at {controller.where} pressed",
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


def judge(site: Site, item: Item, seen: Seen) -> Verdict:
    """What is seen of an item that is judged by itself; for others, what is known so far."""
    prop = seen.props.get(item.subject, PropSeen())
    match item.id:
        case "found":
            return Verdict(prop.online, "" if prop.online else "no word from its controller")
        case "matches":
            return Verdict(prop.matches, "" if prop.matches else "not known to match")
        case "tested":
            said = _counted(prop.tests, "test") if prop.tests else "not run yet"
            return Verdict(False, said, ready=prop.tests > 0)
        case "warm-up":
            needs = warm_up_tests(site.prop(item.subject))
            return Verdict(prop.tests >= needs, f"{prop.tests} of {needs}")
        case "travel":
            return _travel(site.prop(item.subject), prop.travels)
        case "stop-input":
            pressed, still = item.subject in seen.pressed, item.subject in seen.open_now
            said = "still pressed" if still else "" if pressed else "not pressed yet"
            return Verdict(pressed and not still, said)
        case "all-stop":
            return _stop(seen)
        case "stop-key":
            return Verdict(bool(seen.stop_key), seen.stop_key or "not pressed yet")
        case "air" if item.how is How.ITSELF:
            said = "no word from the sensor" if seen.psi is None else f"{seen.psi:.0f} psi"
            return Verdict(seen.psi is not None and seen.psi >= target_psi(site), said)
        case "leak-test":
            return _leak_test(site, seen)
        case "tags":
            return Verdict(not seen.tags, "; ".join(seen.tags) or "no tag")
        case _:
            return Verdict(False)


def accepted(site: Site, item: Item, seen: Seen, reading: str) -> str:
    """What is written down when a person says that an item is done.

    Raises ValueError with the reason and the remedy, apart by a line break, where it cannot be.
    """
    said = " ".join(reading.split())[:LONGEST_READING]
    if item.how is How.ITSELF:
        raise ValueError(f"nobody can say this by hand: it is judged by itself\n{item.todo}")
    if item.how is How.WATCHED and not seen.props.get(item.subject, PropSeen()).tests:
        raise ValueError(f"its controller has recorded no test tonight\n{item.todo}")
    if item.how is not How.READING:
        return said
    if item.id == "temperature":
        return f"{_figure(said, 'degF'):.0f} degF"
    psi = _figure(said, "psi")
    if item.id == "air":
        least = target_psi(site)
        if psi < least:
            raise ValueError(f"{psi:.0f} psi, {least:.0f} psi are needed\nWait, then read again.")
        return f"{psi:.0f} psi"
    wanted = site.prop(item.subject).set_pressure_psi or psi
    if abs(psi - wanted) > GAUGE_SHARE * wanted:
        raise ValueError(
            f"the gauge reads {psi:.0f} psi, the site file says {wanted:.0f} psi\n"
            "Set the regulator, then read again; or put the right pressure into the file."
        )
    return f"{psi:.0f} psi"


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


def _ends(motion: Motion) -> list[tuple[str, str, float]]:
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


def _travel(prop: Prop, travels: Mapping[tuple[str, str], int]) -> Verdict:
    missing, slow, times = [], [], []
    for motion, direction, limit in (end for m in prop.motions for end in _ends(m)):
        ms = travels.get((motion, direction))
        if ms is None:
            missing.append(f"{motion} {direction}")
        elif ms > limit:
            slow.append(f"{motion} {direction} {ms} ms, at most {limit:.0f}")
        else:
            times.append(f"{motion} {direction} {ms} ms")
    if slow:
        return Verdict(False, "; ".join(slow))
    if missing:
        return Verdict(False, f"not measured: {', '.join(missing)}")
    return Verdict(True, ", ".join(times))


def _stop(seen: Seen) -> Verdict:
    if not seen.stopped:
        return Verdict(False, "not stopped yet tonight")
    if seen.stop_silent:
        return Verdict(False, f"not confirmed in time: {', '.join(seen.stop_silent)}")
    if seen.stop_ms is None:
        return Verdict(False, "waiting for every controller")
    return Verdict(True, f"the last after {seen.stop_ms:.0f} ms")


def _leak_test(site: Site, seen: Seen) -> Verdict:
    days = (seen.now_ns - seen.leak_test_ns) / DAY_NS
    said = "never made" if not seen.leak_test_ns else f"{_counted(int(days), 'day')} ago"
    limit = site.opening.leak_test_days
    return Verdict(limit is None or days < limit, said)


def _figure(text: str, unit: str) -> float:
    """A reading in its unit, which may be left out. Raises ValueError with a remedy."""
    try:
        try:
            return quantity(f"{float(text)} {unit}", unit)
        except ValueError:
            return quantity(text, unit)
    except UnitError as error:
        raise ValueError(f"the reading makes no sense: {error}\nSay it as 60 {unit}.") from None


def _counted(n: int, thing: str) -> str:
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"
