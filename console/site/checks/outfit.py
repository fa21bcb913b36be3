"""What props are fitted with, and the rules, air and nights of the site."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Iterator

from console.site.draft import Draft, Path
from console.site.models import AtStop, DeEnergised, OutputKind, Trigger
from console.site.problems import Problem, Severity, shown
from console.site.wording import EGRESS, near, owner

_EGRESS_WORD = re.compile(r"\b(egress|emergency|escape)\b")
_EXIT_LIGHT = re.compile(r"\bexit\b.*\b(lights?|lamps?|signs?|lighting)\b")


def no_way_out_hangs_here(draft: Draft) -> Iterator[Problem]:
    """Lighting that people leave by is on no controller."""
    for prop in draft.site.props:
        for output in prop.outputs:
            words = f"{output.name} {output.title or ''}".lower().replace("-", " ")
            marked = any(
                _EGRESS_WORD.search(word) or word.startswith("exit") for word in output.properties
            )
            light = output.kind is OutputKind.LIGHT
            if marked or (light and (_EGRESS_WORD.search(words) or _EXIT_LIGHT.search(words))):
                yield draft.problem(
                    ("props", prop.name, "outputs", output.name), *EGRESS, at_key=True
                )


def outputs_make_sense(draft: Draft) -> Iterator[Problem]:
    """Keys stand only at the kinds of output that heed them."""
    for prop in draft.site.props:
        for output in prop.outputs:
            path: Path = ("props", prop.name, "outputs", output.name)
            if output.kind is OutputKind.MOTION:
                yield draft.problem(
                    (*path, "kind"),
                    f"{output.name} is a motion among the other outputs",
                    "move it to `motions`, with its travel and what it does de-energised",
                )
            if output.at_stop is not AtStop.OFF and output.kind is not OutputKind.LIGHT:
                yield draft.problem(
                    (*path, "at_stop"),
                    f"a {output.kind} output cannot stay on at an all-stop",
                    "only lights can; remove `at_stop`",
                )
            if output.start_delay_ms and output.kind is not OutputKind.SOUND:
                yield draft.problem(
                    (*path, "start_delay"),
                    f"a {output.kind} output has no start delay",
                    "only sound has; move the steps themselves",
                )


def motions_make_sense(draft: Draft) -> Iterator[Problem]:
    """What holds air says where to let it out, and pressures fit together."""
    for prop in draft.site.props:
        path: Path = ("props", prop.name)
        for motion in prop.motions:
            if (
                motion.de_energised is DeEnergised.HOLDS
                and motion.isolate is None
                and prop.isolate is None
            ):
                yield draft.problem(
                    (*path, "motions", motion.name, "de_energised"),
                    f"{motion.name} of {prop.name} holds with air trapped in it after a stop",
                    "say in `isolate` where that air is let out by hand",
                    severity=Severity.WARNING,
                )
        if prop.set_pressure_psi is not None and prop.set_pressure_psi < prop.min_air_psi:
            yield draft.problem(
                (*path, "set_pressure"),
                f"prop {prop.name} is set to {prop.set_pressure_psi:g} psi and needs "
                f"{prop.min_air_psi:g} psi",
                "raise the set pressure, or take a valve that switches at less",
            )


def triggers_make_sense(draft: Draft) -> Iterator[Problem]:
    """Every prop can be started, and each source has what it needs."""
    for prop in draft.site.props:
        path: Path = ("props", prop.name, "triggers")
        given = prop.triggered_by
        startable = given.sensor is not None or given.actor is not None or given.operator
        if not startable and draft.intact(path):
            yield draft.problem(
                path, f"nothing can start prop {prop.name}", "allow a sensor, actor or operator"
            )
        for name, trigger in (("sensor", given.sensor), ("actor", given.actor)):
            if trigger is not None and draft.intact((*path, name)):
                yield from _trigger(draft, (*path, name), name, trigger)


def _trigger(draft: Draft, path: Path, name: str, trigger: Trigger) -> Iterator[Problem]:
    if trigger.input is None:
        yield draft.problem(
            path, f"{owner(path)} has no `input`", "add the input it is wired to", at_key=True
        )
    if name == "sensor" and trigger.kind is None:
        yield draft.problem(
            path, f"{owner(path)} has no `kind`", "add kind: mat, beam or infrared", at_key=True
        )
    if name == "actor" and trigger.kind is not None:
        yield draft.problem(
            (*path, "kind"), "a helper's button has no kind", "remove it; kinds are of sensors"
        )


def air_makes_sense(draft: Draft) -> Iterator[Problem]:
    """Pressures of compressor, tank and sensor are in order."""
    air = draft.site.air
    if air.compressor is not None and air.compressor.cut_in_psi >= air.compressor.cut_out_psi:
        yield draft.problem(
            ("air", "compressor", "cut_in"),
            "the compressor cuts in at or above the pressure at which it cuts out",
            "cut-in is the lower of the two",
        )
    relief_psi = air.tank.relief_psi if air.tank is not None else None
    if (
        air.compressor is not None
        and relief_psi is not None
        and relief_psi <= air.compressor.cut_out_psi
    ):
        yield draft.problem(
            ("air", "tank", "relief"),
            "the relief valve opens before the compressor cuts out",
            "it must open above `cut_out`, and at most at the tank's own rating",
        )
    if air.sensor is not None and (
        air.sensor.high_psi <= air.sensor.low_psi or air.sensor.high_v <= air.sensor.low_v
    ):
        yield draft.problem(
            ("air", "sensor"),
            "the pressure sensor's upper end is not above its lower end",
            "give at_low and at_high as in its data sheet",
            at_key=True,
        )


def nights_make_sense(draft: Draft) -> Iterator[Problem]:
    """The calendar has each night once, in order, on a clock that exists."""
    site = draft.site
    before: dt.date | None = None
    if draft.intact(("nights",)):
        for at, night in enumerate(site.nights):
            if before is not None and night.date <= before:
                yield draft.problem(
                    ("nights", at, "date"),
                    f"the night of {night.date} does not come after the one of {before}",
                    "list each night once, in order",
                )
            before = night.date
            if night.opens == night.closes:
                yield draft.problem(
                    ("nights", at, "closes"),
                    f"the night of {night.date} closes when it opens",
                    "give both times; closing before it opens means after midnight",
                )
    if site.timezone is not None:
        try:
            zoneinfo.ZoneInfo(site.timezone)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            yield draft.problem(
                ("timezone",),
                f"no time zone is called {shown(site.timezone)}",
                near(site.timezone, zoneinfo.available_timezones(), "write one like Europe/Vienna"),
            )


def exclusions_find_something(draft: Draft) -> Iterator[Problem]:
    """Quiet hours exclude words that some output carries."""
    known = {word for p in draft.site.props for c in p.channels for word in c.properties}
    for at, hours in enumerate(draft.site.rules.quiet_hours):
        for which, word in enumerate(hours.exclude):
            if word not in known:
                yield draft.problem(
                    ("rules", "quiet_hours", at, "exclude", which),
                    f"no output has the property {shown(word)}",
                    near(word, known, "put it into the `properties` of what it should silence"),
                    severity=Severity.WARNING,
                )


def upkeep_has_intervals(draft: Draft) -> Iterator[Problem]:
    """A service comes due by something."""
    for interval in draft.site.service:
        limits = (interval.cycles, interval.strokes, interval.hours_h, interval.nights)
        due = any(limits) or interval.days or interval.dates
        if not due and draft.intact(("service", interval.name)):
            yield draft.problem(
                ("service", interval.name),
                f"service interval {interval.name} never comes due",
                "give at least one of cycles, strokes, hours, nights, days, dates",
                at_key=True,
            )


CHECKS = (
    no_way_out_hangs_here,
    outputs_make_sense,
    motions_make_sense,
    triggers_make_sense,
    air_makes_sense,
    nights_make_sense,
    exclusions_find_something,
    upkeep_has_intervals,
)
