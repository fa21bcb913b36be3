"""Judging the opening check: what holds by itself, and what a person may say that it holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from console.figures.units import UnitError, quantity
from console.rules.opening import How, Item, counted, ends_of, target_psi, warm_up_tests
from console.site.models import Prop, Site

GAUGE_SHARE = 0.1
"""How far a gauge may stand from the set pressure; home-built regulators creep."""
DAY_NS = 86_400 * 10**9
LONGEST_READING = 60
_EXAMPLES = {"psi": "60 psi", "degF": "45 degF"}


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


def judge(site: Site, item: Item, seen: Seen) -> Verdict:
    """What is seen of an item that is judged by itself; for others, what is known so far."""
    prop = seen.props.get(item.subject, PropSeen())
    match item.id:
        case "found":
            return Verdict(prop.online, "" if prop.online else "no word from its controller")
        case "matches":
            return Verdict(prop.matches, "" if prop.matches else "not known to match")
        case "tested":
            said = counted(prop.tests, "test") if prop.tests else "not run yet"
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


def _travel(prop: Prop, travels: Mapping[tuple[str, str], int]) -> Verdict:
    missing, slow, times = [], [], []
    for motion, direction, limit in (end for m in prop.motions for end in ends_of(m)):
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
    said = "never made" if not seen.leak_test_ns else f"{counted(int(days), 'day')} ago"
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
        raise ValueError(
            f"the reading makes no sense: {error}\nSay it as {_EXAMPLES[unit]}."
        ) from None
