"""Whether motions have the time that they take."""

from __future__ import annotations

from collections.abc import Iterator

from console.site.checks.stepping import Switching, Timeline, switchings, timelines
from console.site.draft import Draft, Path
from console.site.models import Motion
from console.site.problems import Problem, Severity


def _where(motion: Motion, at: float, on: bool, elapsed_ms: int) -> float:
    """How far out a motion is, 0 home to 1 out, `elapsed_ms` after it was switched at `at`."""
    if on:
        return min(1.0, at + elapsed_ms / motion.travel_ms)
    return max(0.0, at - elapsed_ms / motion.return_ms)


def motions_arrive(draft: Draft) -> Iterator[Problem]:
    """No motion is reversed before it can have arrived, unless the step says `partial`."""
    for timeline in timelines(draft):
        events = switchings(timeline)
        for motion in timeline.prop.motions:
            if draft.intact(("props", timeline.prop.name, "motions", motion.name)):
                yield from _reversals(draft, motion, events.get(motion.name, []))


def _reversals(draft: Draft, motion: Motion, events: list[Switching]) -> Iterator[Problem]:
    at, on, since = 0.0, False, 0
    for event in events:
        if event.on == on or (event.at_ms == since and since > 0):
            continue
        elapsed = event.at_ms - since
        reached = _where(motion, at, on, elapsed)
        short = (1.0 - reached) * motion.travel_ms if on else reached * motion.return_ms
        if short >= 1 and not event.partial:
            way, needs = ("out", motion.travel_ms) if on else ("home", motion.return_ms)
            yield draft.problem(
                event.path,
                f"{motion.name} is reversed {short:.0f} ms before it can be {way}; that takes "
                f"{needs} ms",
                f"move this step to {event.at_ms + round(short)} ms or later, or add "
                "`partial: yes` if it is meant as a twitch",
                at_key=True,
            )
        at, on, since = reached, event.on, event.at_ms


def _tail_ms(timeline: Timeline) -> tuple[int, str]:
    """When the last motion is home, counted from the start of the timeline, and which."""
    last = (0, "")
    events = switchings(timeline)
    for motion in timeline.prop.motions:
        offs = [e.at_ms for e in events.get(motion.name, []) if not e.on]
        if offs:
            last = max(last, (offs[-1] + motion.return_ms, motion.name))
    return last


def rest_is_long_enough(draft: Draft) -> Iterator[Problem]:
    """Every motion is home when the rest after a cycle is over."""
    for timeline in timelines(draft):
        prop = timeline.prop
        if timeline.strength is None or not draft.intact(("props", prop.name, "motions")):
            continue
        home_ms, name = _tail_ms(timeline)
        short = home_ms - timeline.length_ms - prop.rest_ms
        if short > 0:
            yield draft.problem(
                ("props", prop.name, "rest"),
                f"after {timeline.title} the rest is over {short} ms before {name} can be home",
                f"make the rest at least {prop.rest_ms + short} ms",
            )


def idle_gives_way(draft: Draft) -> Iterator[Problem]:
    """A trigger during an idle movement finds a safe point soon enough.

    A safe point is any time at which every motion of the prop is off.
    """
    for timeline in timelines(draft):
        idle = timeline.prop.idle
        if timeline.strength is not None or idle is None:
            continue
        names = {m.name for m in timeline.prop.motions}
        events = switchings(timeline)
        changes = sorted(
            ((e.at_ms, e.on, name, e.path) for name in names for e in events.get(name, [])),
            key=lambda change: change[0],
        )
        out: set[str] = set()
        began: tuple[int, Path] | None = None
        longest = 0
        where: Path = timeline.path
        for at_ms, on, name, path in changes:
            (out.add if on else out.discard)(name)
            if out and began is None:
                began = (at_ms, path)
            elif not out and began is not None:
                if at_ms - began[0] > longest:
                    longest, where = at_ms - began[0], began[1]
                began = None
        if longest > idle.interrupt_within_ms:
            yield draft.problem(
                where,
                f"from here {timeline.title} has no safe point for {longest} ms, and a trigger "
                f"must be followed within {idle.interrupt_within_ms} ms",
                "switch its motions off in between, or raise `interrupt_within`",
                at_key=True,
            )


def idle_is_bounded(draft: Draft) -> Iterator[Problem]:
    """An idle movement's intervals are in order, and spare the air."""
    for timeline in timelines(draft):
        idle = timeline.prop.idle
        if timeline.strength is not None or idle is None:
            continue
        if idle.between_min_ms > idle.between_max_ms:
            yield draft.problem(
                (*timeline.path, "between_min"),
                "the shortest pause is longer than the longest",
                "`between_min` is the lower of the two",
            )
        names = {m.name for m in timeline.prop.motions}
        strokes = sum(
            e.on for name, es in switchings(timeline).items() if name in names for e in es
        )
        rate = strokes * 60_000 / (idle.length_ms + idle.between_min_ms)
        if idle.strokes_per_min is not None and rate > idle.strokes_per_min:
            yield draft.problem(
                (*timeline.path, "at_most"),
                f"{timeline.title} can come to {rate:.1f} strokes a minute, and the air allows "
                f"{idle.strokes_per_min:g}",
                "lengthen `between_min`, or leave out strokes",
            )
        if idle.strokes_per_min is None and strokes:
            yield draft.problem(
                timeline.path,
                f"{timeline.title} has no limit for the air it takes",
                f"add `at_most: {rate:.0f}/min`, or what the air allows",
                at_key=True,
                severity=Severity.WARNING,
            )


CHECKS = (motions_arrive, rest_is_long_enough, idle_gives_way, idle_is_bounded)
