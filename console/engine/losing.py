"""Lost controllers, grouped by what they share: several gone at once are one alarm."""

from __future__ import annotations

from collections.abc import Mapping

from console.rules.alarms import Kind
from console.site.models import Site

TOGETHER_MS = 3000.0
"""Losses that lie no further apart than this may have one cause."""


def grouped(site: Site, lost_ms: Mapping[str, float]) -> dict[tuple[Kind, str], str]:
    """The alarms for these lost controllers: (kind, subject) with its text.

    `lost_ms` says since when each has been gone. A line or supply is named where everything on it,
    at least two controllers, went together; a controller is named in one alarm only.
    """
    if not lost_ms:
        return {}
    found: dict[tuple[Kind, str], str] = {}
    left = dict(lost_ms)
    shared: list[tuple[Kind, str, tuple[str, ...]]] = [
        (Kind.LINE_LOST, line.name, tuple(c.name for c in site.controllers_of_line(line.name)))
        for line in site.lines
    ]
    shared += [
        (
            Kind.SUPPLY_LOST,
            supply.name,
            tuple(c.name for c in site.controllers if (c.logic_supply or c.supply) == supply.name),
        )
        for supply in site.supplies
    ]
    for kind, subject, names in shared:
        if len(names) < 2 or not all(name in left for name in names):
            continue
        times = [left[name] for name in names]
        if max(times) - min(times) > TOGETHER_MS:
            continue
        what = "line" if kind is Kind.LINE_LOST else "supply"
        found[kind, subject] = f"everything on {what} {subject} is gone: {', '.join(names)}"
        for name in names:
            del left[name]
    for name in left:
        found[Kind.LOST, name] = f"no word from {name} ({site.controller(name).where})"
    return found
