"""Overrides: for one prop and one night, a check that may be overridden is, by a named person."""

from __future__ import annotations

from collections.abc import Mapping

from console.engine.badrequest import BadRequest, text_of
from console.engine.durably import durably, ok_body
from console.engine.recording import Recorder
from console.engine.world import World
from console.ledger.entries import EventEntry
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.rules.permits import MAY_OVERRIDE

KIND = "override"
"""The kind of the ledger's events; their subject is the prop."""


class Overriding:
    """The overrides of one engine."""

    def __init__(self, world: World, recorder: Recorder) -> None:
        self._world = world
        self._recorder = recorder

    def override(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """Let a check not hold for a prop until the night closes."""
        world = self._world
        prop, check = text_of(args, "prop"), text_of(args, "check")
        by, why = text_of(args, "by"), text_of(args, "why")
        if prop not in world.props:
            raise BadRequest(f"there is no prop {prop[:40]!r}")
        if check not in MAY_OVERRIDE:
            raise BadRequest(
                f"{check[:40]!r} cannot be overridden",
                f"Only these can: {', '.join(sorted(MAY_OVERRIDE))}.",
            )
        if world.night is None:
            raise BadRequest("an override is for one night", "Open the night first.")
        entry = EventEntry(KIND, prop, {"check": check, "why": why}, world.now.wall_ns, by[:60])

        def done(_: object) -> Mapping[str, object]:
            world.overrides.setdefault(prop, {})[check] = by[:60]
            world.touch(f"prop/{prop}")
            return ok_body(request)

        durably(world, self._recorder, client, request, entry, done=done, withdraw=lambda _: None)

    def tick(self) -> None:
        """Overrides end with the night."""
        world = self._world
        if world.night is None and world.overrides:
            world.touch(*(f"prop/{name}" for name in world.overrides))
            world.overrides.clear()


def overrides_of(reader: Reader, night: int | None) -> dict[str, dict[str, str]]:
    """The overrides of the open night: who, by prop and check."""
    found: dict[str, dict[str, str]] = {}
    if night is not None:
        for row in reader.events(Filter(nights=(night,), kind=KIND)):
            found.setdefault(row.subject, {})[str(row.detail.get("check"))] = row.by
    return found
