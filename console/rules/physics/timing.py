"""Whether strokes have the time that air, valve and load take.

Predicted times carry some 15 % of doubt (see `console.figures.stroke_time`), so they warn; only a
stroke that never ends is a problem.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from functools import lru_cache

from console.figures.inputs import FigureError
from console.figures.stroke_time import StrokeTime
from console.rules.physics.motion import cylinder_of, pressure_of, time_of
from console.rules.physics.pushing import motions
from console.rules.physics.sizes import CVS
from console.site.checks.stepping import Switching, switchings, timelines
from console.site.draft import Draft
from console.site.models import Motion
from console.site.problems import Problem, Severity

DOUBT = 1.15
"""A stated time is believed until the predicted one is this much longer."""


def strokes_end(draft: Draft) -> Iterator[Problem]:
    """The forces take each motion all the way out and home."""
    sound = []
    for prop, motion, path in motions(draft):
        pressure = pressure_of(prop)
        if pressure is None or motion.cylinder is None:
            continue
        with suppress(FigureError):
            cylinder_of(motion.cylinder)
            sound.append((prop, motion, path, pressure))
    for prop, motion, path, pressure in sound:
        try:
            _time_of(motion, pressure)
        except FigureError as error:
            yield draft.problem(
                (*path, "cylinder"),
                f"{motion.name} of {prop.name} at {pressure:g} psi: {error}",
                "sexton check --explain "
                f"{prop.name} shows the forces; a bigger bore or more pressure pushes harder, a "
                "spring or less assist brings it home",
                at_key=True,
            )


def travel_is_possible(draft: Draft) -> Iterator[Problem]:
    """The file gives each motion the time that its air takes."""
    for prop, motion, path in motions(draft):
        pressure = pressure_of(prop)
        times = None if pressure is None else _known(motion, pressure)
        if times is None or pressure is None:
            continue
        for key, stated_ms, needs_s, way in (
            ("travel", motion.travel_ms, times.out.arrives_s, "out"),
            ("return", motion.return_ms, times.back.arrives_s, "home"),
        ):
            if needs_s * 1000 > stated_ms * DOUBT:
                yield draft.problem(
                    (*path, key),
                    f"{motion.name} of {prop.name} takes about {needs_s * 1000:.0f} ms {way} at "
                    f"{pressure:g} psi, and the file says {stated_ms} ms",
                    faster(motion, pressure, stated_ms, way),
                    severity=Severity.WARNING,
                )


def steps_leave_time(draft: Draft) -> Iterator[Problem]:
    """No step reverses a motion before its air can have moved it, unless it says `partial`."""
    for timeline in timelines(draft):
        pressure = pressure_of(timeline.prop)
        if pressure is None:
            continue
        events = switchings(timeline)
        for motion in timeline.prop.motions:
            if not draft.intact(("props", timeline.prop.name, "motions", motion.name)):
                continue
            times = _known(motion, pressure)
            if times is not None:
                yield from _hurried(draft, motion, times, pressure, events.get(motion.name, []))


def faster(motion: Motion, pressure_psi: float, within_ms: float, way: str) -> str:
    """What would bring a stroke within a time: a valve, else time itself."""
    assert motion.valve is not None
    needs = _known(motion, pressure_psi)
    given = math.ceil(_ms(needs, way)) if needs else 0
    ways = [f"give it {given} ms"]
    if motion.valve.flow_control_cv is not None and way == "home":
        ways.append("open the flow control and give its new `flow_control_cv`")
    at_least = max(motion.valve.cv or 0.0, motion.valve.exhaust_cv or 0.0)
    for cv in CVS if motion.valve.conductance is None else ():
        if cv <= at_least:
            continue
        bigger = motion.valve.model_copy(
            update={"cv": cv, "exhaust_cv": cv, "flow_control_cv": None}
        )
        times = _known(motion.model_copy(update={"valve": bigger}), pressure_psi)
        if times is not None and _ms(times, way) <= within_ms:
            ways.append(f"a valve with a Cv of {cv:g}")
            break
    else:
        if motion.hose is not None:
            ways.append("a wider or shorter hose")
    return ", or ".join(ways)


def _hurried(
    draft: Draft, motion: Motion, times: StrokeTime, pressure_psi: float, events: list[Switching]
) -> Iterator[Problem]:
    on, since = False, None
    for event in events:
        if event.on == on:
            continue
        needs_ms, way = _ms(times, "out" if on else "home"), "out" if on else "home"
        stated_ms = motion.travel_ms if on else motion.return_ms
        elapsed = None if since is None else event.at_ms - since
        # Where the stated time is not left either, the site's own check has said so.
        if elapsed is not None and stated_ms <= elapsed < needs_ms and not event.partial:
            yield draft.problem(
                event.path,
                f"{motion.name} has {elapsed} ms until here and takes about {needs_ms:.0f} ms "
                f"{way} at {pressure_psi:g} psi",
                f"move this step {math.ceil(needs_ms - elapsed)} ms later, or "
                + faster(motion, pressure_psi, elapsed, way),
                at_key=True,
                severity=Severity.WARNING,
            )
        on, since = event.on, event.at_ms


def _ms(times: StrokeTime | None, way: str) -> float:
    assert times is not None
    return (times.out if way == "out" else times.back).arrives_s * 1000


def _known(motion: Motion, pressure_psi: float) -> StrokeTime | None:
    try:
        return _time_of(motion, pressure_psi)
    except FigureError:
        return None


# One prediction takes some 20 ms, and every sequence asks for the same ones.
_time_of = lru_cache(maxsize=512)(time_of)

CHECKS = (strokes_end, travel_is_possible, steps_leave_time)
