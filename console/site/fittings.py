"""Where parts sit in a site, and what upkeep each wants: the site file's lists, made flat.

A fitting is a place, such as the valve of one motion; the part in it comes and goes. Every motion
has a valve and a cylinder even where the file lists no parts, and a hose, a spring assist and an
end sensor where it describes them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from console.errors import UserError
from console.site.hardware import Limits, Part, PartKind, ServiceInterval
from console.site.models import Motion, Prop, Site

Key = tuple[str, str, str]
"""(prop, motion, part); the first two are empty for what belongs to none."""

CHORE = "chore"
"""The kind of upkeep that belongs to no part."""

OWN = "own"
"""The name of the upkeep that a part's own limits ask for."""


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of upkeep of one fitting, with the limits that make it due."""

    name: str
    title: str
    limits: Limits


@dataclass(frozen=True, slots=True)
class Fitting:
    """A place where a part sits, or a chore. `listed` is False for what only a motion implies."""

    prop: str
    motion: str
    name: str
    kind: str
    model: str = ""
    installed: dt.date | None = None
    at_strokes: int = 0
    b10: int | None = None
    tasks: tuple[Task, ...] = ()
    listed: bool = True

    @property
    def key(self) -> Key:
        """What the ledger knows it by."""
        return (self.prop, self.motion, self.name)

    @property
    def id(self) -> str:
        """What people write: `stoker/straighten/valve`, `stoker/frame`, `intake-filter`."""
        return id_of(self.key)

    @property
    def stock(self) -> str:
        """What a spare for it is called: its model, or its kind where the file names no model."""
        return self.model or self.kind


_newest: tuple[Site, tuple[Fitting, ...]] | None = None
"""Of the site asked for last. A site never changes, and is asked for at every look."""


def id_of(key: Key) -> str:
    """The id that people write for a key."""
    return "/".join(word for word in key if word)


def fittings(site: Site) -> tuple[Fitting, ...]:
    """Every fitting and chore: the props in walking order, then the air, then the site's chores."""
    global _newest
    if _newest is None or _newest[0] is not site:
        _newest = (site, tuple(_all(site)))
    return _newest[1]


def find(found: Sequence[Fitting], asked: str) -> tuple[Fitting, Task | None]:
    """The fitting meant by `ID` or `ID:TASK`; of an id its end is enough where that tells.

    Raises UserError with near or possible ids.
    """
    name, _, task = asked.strip().partition(":")
    words = [word for word in name.split("/") if word]
    exact = [f for f in found if f.id == "/".join(words)]
    near = exact or [f for f in found if words and _fits(f, words)]
    if len(near) == 1:
        return near[0], _task(near[0], task)
    if near:
        listed = ", ".join(f.id for f in near[:8]) + (", …" if len(near) > 8 else "")
        raise UserError(f"{name} could be {len(near)} parts", f"Say which: {listed}.")
    ids = [f.id for f in found]
    close = get_close_matches(name, ids, n=3, cutoff=0.4)
    raise UserError(
        f"the site file has no part {name!r}",
        f"Did you mean {' or '.join(close)}?" if close else "`sexton upkeep due --all` lists them.",
    )


def _fits(fitting: Fitting, words: Sequence[str]) -> bool:
    """Whether the words are the fitting's own, in order, its name last."""
    if words[-1] != fitting.name:
        return False
    own = iter(fitting.key[:2])
    return all(word in own for word in words[:-1])


def _task(fitting: Fitting, name: str) -> Task | None:
    if not name:
        return None
    for task in fitting.tasks:
        if task.name == name:
            return task
    listed = ", ".join(task.name for task in fitting.tasks)
    raise UserError(
        f"{fitting.id} has no upkeep called {name!r}",
        f"It has {listed}." if listed else "It has none; leave `:` and what follows out.",
    )


def _all(site: Site) -> Iterator[Fitting]:
    for prop in site.props:
        for motion in prop.motions:
            yield from _of(site, prop.name, motion.name, motion.parts)
            yield from _implied(site, prop, motion)
        yield from _of(site, prop.name, "", prop.parts)
    yield from _of(site, "", "", site.air.parts)
    kinds = {part.kind for part in site.air.parts}
    taken = {part.name for part in site.air.parts}
    for kind, there in (
        (PartKind.COMPRESSOR, site.air.compressor),
        (PartKind.TANK, site.air.tank),
    ):
        if there is not None and kind not in kinds and kind.value not in taken:
            yield _implicit(site, "", "", kind.value, kind, "")
    yield from _chores(site)


def _of(site: Site, prop: str, motion: str, parts: Iterable[Part]) -> Iterator[Fitting]:
    for part in parts:
        yield Fitting(
            prop, motion, part.name, part.kind.value, part.model or "", part.installed,
            part.at_strokes, part.b10, _tasks(site, prop, part.kind, part),
        )  # fmt: skip


def _implied(site: Site, prop: Prop, motion: Motion) -> Iterator[Fitting]:
    kinds = {part.kind for part in motion.parts}
    taken = {part.name for part in motion.parts}
    cylinder, valve = motion.cylinder, motion.valve
    ends = motion.end_sensor
    implied = (
        ("cylinder", PartKind.CYLINDER, True, (cylinder and cylinder.model) or ""),
        ("valve", PartKind.VALVE, True, (valve and valve.model) or ""),
        ("hose", PartKind.HOSE, motion.hose is not None, ""),
        ("assist", PartKind.SPRING, bool(cylinder and cylinder.assist_lbf), ""),
        ("end-sensor", PartKind.SENSOR, bool(ends.out or ends.home), ""),
    )
    for name, kind, there, model in implied:
        if there and kind not in kinds and name not in taken:
            yield _implicit(site, prop.name, motion.name, name, kind, model)


def _implicit(site: Site, prop: str, motion: str, name: str, kind: PartKind, model: str) -> Fitting:
    tasks = _tasks(site, prop, kind, None)
    return Fitting(prop, motion, name, kind.value, model, tasks=tasks, listed=False)


def _tasks(site: Site, prop: str, kind: PartKind, part: Part | None) -> tuple[Task, ...]:
    own = [Task(OWN, "Service it", part)] if part is not None and has_limits(part) else []
    return (
        *own,
        *(
            Task(interval.name, interval.title, interval)
            for interval in site.service
            if interval.part is kind and (not interval.props or prop in interval.props)
        ),
    )


def _chores(site: Site) -> Iterator[Fitting]:
    for interval in site.service:
        if interval.part is None:
            task = (Task(interval.name, interval.title, interval),)
            for prop in interval.props or ("",):
                yield Fitting(prop, "", interval.name, CHORE, tasks=task)


def has_limits(limits: Limits) -> bool:
    """Whether anything ever makes it due."""
    return bool(
        limits.cycles or limits.strokes or limits.hours_h or limits.nights or limits.days
        or limits.dates or (isinstance(limits, ServiceInterval) and limits.damp_hours_h)
    )  # fmt: skip
