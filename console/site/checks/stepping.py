"""Steps of sequences and idle movements, one output at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from console.site.draft import Draft, Path
from console.site.models import AtStop, Output, OutputKind, Prop, Strength, WrittenStep
from console.site.problems import Problem, Severity


@dataclass(frozen=True, slots=True)
class Timeline:
    """A sequence or an idle movement, in the words of the file."""

    path: Path
    """Of the mapping that holds `steps`."""
    title: str
    prop: Prop
    length_ms: int
    written: tuple[WrittenStep, ...]
    strength: Strength | None
    """None for an idle movement."""

    @property
    def sound(self) -> bool:
        """Whether it can be played at all: outputs that exist, times that never fall."""
        known = {channel.name for channel in self.prop.channels}
        times = [step.at_ms for step in self.written]
        names = {switched.name for step in self.written for switched in step.switches}
        return names <= known and times == sorted(times)


@dataclass(frozen=True, slots=True)
class Switching:
    """One output switched by one step."""

    at_ms: int
    on: bool
    partial: bool
    path: Path


def timelines(draft: Draft) -> Iterator[Timeline]:
    """Every timeline that was read whole and can be played."""
    return (timeline for timeline in all_timelines(draft) if timeline.sound)


def all_timelines(draft: Draft) -> Iterator[Timeline]:
    """Every timeline of the site that was read whole."""
    for prop in draft.site.props:
        path: Path = ("props", prop.name)
        for s in prop.sequences:
            where: Path = (*path, "sequences", s.name)
            if draft.intact(where):
                title = f"sequence {s.name} of {prop.name}"
                yield Timeline(where, title, prop, s.length_ms, s.written, s.strength)
        if prop.idle is not None and draft.intact((*path, "idle")):
            yield Timeline(
                (*path, "idle"), f"the idle movement of {prop.name}", prop, prop.idle.length_ms,
                prop.idle.written, None,
            )  # fmt: skip


def switchings(timeline: Timeline) -> dict[str, list[Switching]]:
    """What happens to each output by name, in order of time."""
    found: dict[str, list[Switching]] = {}
    for row, step in enumerate(timeline.written):
        for switched in step.switches:
            path = (*timeline.path, "steps", row, switched.name)
            found.setdefault(switched.name, []).append(
                Switching(step.at_ms, switched.on, step.partial, path)
            )
    for one in found.values():
        one.sort(key=lambda s: s.at_ms)
    return found


def steps_are_in_order(draft: Draft) -> Iterator[Problem]:
    """Times never fall, and end within the length."""
    for timeline in all_timelines(draft):
        before = 0
        for row, step in enumerate(timeline.written):
            path: Path = (*timeline.path, "steps", row, "at")
            if step.at_ms < before:
                yield draft.problem(
                    path,
                    f"the step at {step.at_ms} ms comes after the one at {before} ms",
                    "put the steps into the order of their times",
                )
            before = max(before, step.at_ms)
            if step.at_ms > timeline.length_ms:
                yield draft.problem(
                    path,
                    f"the step at {step.at_ms} ms comes after the end of {timeline.title}",
                    f"it is {timeline.length_ms} ms long: make it longer, or the step earlier",
                )


def _may_stay_on(output: Output) -> bool:
    keeps = output.kind is OutputKind.LIGHT and output.at_stop is not AtStop.OFF
    return keeps or output.kind is OutputKind.DUMP


def outputs_are_left_off(draft: Draft) -> Iterator[Problem]:
    """At the end of a timeline everything is off, save lights that stay and dump valves."""
    for timeline in timelines(draft):
        channels = {c.name: c for c in timeline.prop.channels}
        for name, events in switchings(timeline).items():
            if events[-1].on and not _may_stay_on(channels[name]):
                yield draft.problem(
                    events[-1].path,
                    f"{timeline.title} leaves {name} on at its end",
                    f"add a step that switches {name} off",
                    at_key=True,
                )


def switching_changes_something(draft: Draft) -> Iterator[Problem]:
    """No output is switched to what it is, or twice at one time."""
    for timeline in timelines(draft):
        for name, events in switchings(timeline).items():
            on = False
            at_ms = -1
            for event in events:
                if event.at_ms == at_ms:
                    yield draft.problem(
                        event.path,
                        f"{name} is switched twice at {at_ms} ms",
                        "remove one, or give it another time",
                        at_key=True,
                    )
                elif event.on == on:
                    yield draft.problem(
                        event.path,
                        f"{name} is {'on' if on else 'off'} already at {event.at_ms} ms",
                        "remove the step, or switch it the other way",
                        at_key=True,
                        severity=Severity.WARNING,
                    )
                on, at_ms = event.on, event.at_ms


def on_times_are_kept(draft: Draft) -> Iterator[Problem]:
    """No output is on for longer than its largest on-time."""
    for timeline in timelines(draft):
        channels = {c.name: c for c in timeline.prop.channels}
        for name, events in switchings(timeline).items():
            most = channels[name].max_on_ms
            since: Switching | None = None
            for event in (*events, None):
                until = event.at_ms if event else timeline.length_ms
                over = since is not None and most is not None and until - since.at_ms > most
                if since is not None and over and (event is None or not event.on):
                    yield draft.problem(
                        since.path,
                        f"{name} is on for {until - since.at_ms} ms, and at most {most} ms "
                        "are allowed",
                        f"switch it off earlier, or raise `max_on` of {name} if it bears that",
                        at_key=True,
                    )
                if event is not None and (not event.on or since is None):
                    since = event if event.on else None


def sounds_are_in_time(draft: Draft) -> Iterator[Problem]:
    """A sound can start early enough to be heard when the file says."""
    for timeline in timelines(draft):
        for output in timeline.prop.outputs:
            if output.kind is not OutputKind.SOUND:
                continue
            for event in switchings(timeline).get(output.name, []):
                late = output.start_delay_ms - event.at_ms
                if event.on and late > 0:
                    yield draft.problem(
                        event.path,
                        f"{output.name} needs {output.start_delay_ms} ms to start and would be "
                        f"heard {late} ms late",
                        f"move every step at least {late} ms later, or accept it",
                        at_key=True,
                        severity=Severity.WARNING,
                    )


def quiet_is_lights_only(draft: Draft) -> Iterator[Problem]:
    """A quiet sequence moves nothing and makes no sound."""
    for timeline in timelines(draft):
        if timeline.strength is not Strength.QUIET:
            continue
        channels = {c.name: c for c in timeline.prop.channels}
        for name, events in switchings(timeline).items():
            if channels[name].kind not in (OutputKind.LIGHT, OutputKind.DUMP):
                yield draft.problem(
                    events[0].path,
                    f"{timeline.title} is quiet and switches {name}, which is no light",
                    "leave it out, or call the sequence mild",
                    at_key=True,
                )


CHECKS = (
    steps_are_in_order,
    outputs_are_left_off,
    switching_changes_something,
    on_times_are_kept,
    sounds_are_in_time,
    quiet_is_lights_only,
)
