"""Names that must lead somewhere, and entries that nothing leads to."""

from __future__ import annotations

from collections.abc import Iterator

from console.site.draft import Draft, Path
from console.site.problems import Problem, Severity, shown
from console.site.wording import is_near, near


def _unless_known(
    draft: Draft, path: Path, name: str, section: str, what: str
) -> Iterator[Problem]:
    known = draft.names(section)
    if name in known or (not known and section in ("zones", "lines", "controllers")):
        return  # Without any of these the site has no shape, which is said elsewhere.
    listed = f"known: {', '.join(known[:12])}" if known else f"there is no section `{section}`"
    yield draft.problem(path, f"no {what} is called {shown(name)}", near(name, known, listed))


def props_lead_somewhere(draft: Draft) -> Iterator[Problem]:
    """A prop's zone, controller and default sequence exist."""
    for prop in draft.site.props:
        path: Path = ("props", prop.name)
        yield from _unless_known(draft, (*path, "zone"), prop.zone, "zones", "zone")
        yield from _unless_known(
            draft, (*path, "controller"), prop.controller, "controllers", "controller"
        )
        known = draft.names(*path, "sequences")
        if prop.default_sequence not in known:
            yield draft.problem(
                (*path, "default_sequence"),
                f"prop {prop.name} has no sequence {shown(prop.default_sequence)} to begin with",
                near(prop.default_sequence, known, f"it has: {', '.join(known)}"),
            )


def controllers_lead_somewhere(draft: Draft) -> Iterator[Problem]:
    """A controller's line and supplies exist."""
    for controller in draft.site.controllers:
        path: Path = ("controllers", controller.name)
        yield from _unless_known(draft, (*path, "line"), controller.line, "lines", "line")
        for key in ("supply", "logic_supply"):
            name = getattr(controller, key)
            if name is not None:
                yield from _unless_known(draft, (*path, key), name, "supplies", "supply")


def site_leads_somewhere(draft: Draft) -> Iterator[Problem]:
    """Names in rules, air and service exist."""
    site = draft.site
    if site.air.sensor is not None:
        yield from _unless_known(
            draft, ("air", "sensor", "controller"), site.air.sensor.controller, "controllers",
            "controller",
        )  # fmt: skip
    for at, name in enumerate(site.rules.stop_when_lost_running):
        path: Path = ("rules", "stop_when_lost_running", at)
        yield from _unless_known(draft, path, name, "controllers", "controller")
    for interval in site.service:
        for at, name in enumerate(interval.props):
            path = ("service", interval.name, "props", at)
            yield from _unless_known(draft, path, name, "props", "prop")


def steps_lead_somewhere(draft: Draft) -> Iterator[Problem]:
    """Every step switches outputs that its prop has."""
    for prop in draft.site.props:
        path: Path = ("props", prop.name)
        known = (*draft.names(*path, "motions"), *draft.names(*path, "outputs"))
        timelines: list[tuple[Path, tuple[str, ...]]] = [
            (
                (*path, "sequences", s.name, "steps", row),
                tuple(switched.name for switched in step.switches),
            )
            for s in prop.sequences
            for row, step in enumerate(s.written)
        ]
        if prop.idle is not None:
            timelines += [
                ((*path, "idle", "steps", row), tuple(w.name for w in step.switches))
                for row, step in enumerate(prop.idle.written)
            ]
        for where, names in timelines:
            for name in names:
                if name not in known:
                    yield draft.problem(
                        (*where, name),
                        f"prop {prop.name} has no output {shown(name)}",
                        near(name, known, f"it has: {', '.join(known)}"),
                        at_key=True,
                    )


def _meant(draft: Draft, section: str, said: set[str]) -> set[str]:
    """The entries that are named, misspelt ones included."""
    known = draft.names(section)
    unknown = sorted(said - set(known))[:20]
    return said | {name for name in known[:600] if any(is_near(word, name) for word in unknown)}


def nothing_is_left_over(draft: Draft) -> Iterator[Problem]:
    """Zones, lines, controllers and supplies are used."""
    used = _meant(draft, "zones", draft.named_by("props", "zone"))
    for name in draft.names("zones"):
        if name not in used:
            yield draft.problem(
                ("zones", name),
                f"no prop stands in zone {shown(name)}",
                "put a prop there, or remove the zone",
                at_key=True,
            )
    uses = {
        "lines": draft.named_by("controllers", "line"),
        "controllers": draft.named_by("props", "controller"),
        "supplies": draft.named_by("controllers", "supply")
        | draft.named_by("controllers", "logic_supply"),
    }
    if draft.site.air.sensor is not None:
        uses["controllers"].add(draft.site.air.sensor.controller)
    what = {"lines": "line", "controllers": "controller", "supplies": "supply"}
    for section, names in uses.items():
        used = _meant(draft, section, names)
        for name in draft.names(section):
            if name not in used:
                yield draft.problem(
                    (section, name),
                    f"nothing uses {what[section]} {shown(name)}",
                    "remove it, or give it something to do",
                    at_key=True,
                    severity=Severity.WARNING,
                )


CHECKS = (
    props_lead_somewhere,
    controllers_lead_somewhere,
    site_leads_somewhere,
    steps_lead_somewhere,
    nothing_is_left_over,
)
