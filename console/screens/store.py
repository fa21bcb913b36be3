"""What this console knows of the engine: the last word on every entity, and how old it is."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from console.views.models import (
    AirView,
    AlarmView,
    CheckView,
    ControllerView,
    CrowdView,
    Entity,
    GroupView,
    HeadwayView,
    OpeningView,
    Priority,
    PropView,
    SiteView,
    StopView,
    ZoneView,
)

_URGENCY = {Priority.URGENT: 0, Priority.SOON: 1, Priority.NOTICE: 2}


@dataclass(slots=True)
class Store:
    """The entities by key. `revision` counts changes, so that a screen knows when to look.

    `linked` is false from the loss of the engine until its next snapshot; what is stored stays
    and is old since `heard_monotonic` (seconds).
    """

    entities: dict[str, Entity] = field(default_factory=dict)
    revision: int = 0
    linked: bool = False
    heard_monotonic: float = field(default_factory=time.monotonic)
    trouble: str = ""

    def snapshot(self, entities: Mapping[str, Entity]) -> None:
        """Everything anew."""
        self.entities = dict(entities)
        self.linked = True
        self.trouble = ""
        self._heard()

    def patch(self, changed: Mapping[str, Entity], dropped: Iterable[str]) -> None:
        """Some entities anew, some gone."""
        self.entities.update(changed)
        for key in dropped:
            self.entities.pop(key, None)
        self._heard()

    def lost(self, why: str) -> None:
        """The engine is not heard any more."""
        if self.linked or why != self.trouble:
            self.revision += 1
        self.linked = False
        self.trouble = why

    def _heard(self) -> None:
        self.heard_monotonic = time.monotonic()
        self.revision += 1

    @property
    def silent_s(self) -> float:
        """Seconds since the engine was last heard."""
        return time.monotonic() - self.heard_monotonic

    @property
    def site(self) -> SiteView:
        """The site, or a nameless one before the first snapshot."""
        found = self.entities.get("site")
        return found if isinstance(found, SiteView) else SiteView(name="", file="", demo=False)

    @property
    def stop(self) -> StopView:
        """The all-stop as last heard."""
        found = self.entities.get("stop")
        return found if isinstance(found, StopView) else StopView(latched=False)

    @property
    def zones(self) -> list[ZoneView]:
        """The zones in walking order."""
        found = [e for e in self.entities.values() if isinstance(e, ZoneView)]
        return sorted(found, key=lambda z: (z.order, z.name))

    @property
    def props(self) -> list[PropView]:
        """The props in walking order."""
        order = {zone.name: i for i, zone in enumerate(self.zones)}
        found = [e for e in self.entities.values() if isinstance(e, PropView)]
        return sorted(found, key=lambda p: (order.get(p.zone, len(order)), p.order, p.name))

    def prop(self, name: str) -> PropView | None:
        """One prop, if the engine knows it."""
        found = self.entities.get(f"prop/{name}")
        return found if isinstance(found, PropView) else None

    @property
    def controllers(self) -> list[ControllerView]:
        """The controllers by name."""
        found = [e for e in self.entities.values() if isinstance(e, ControllerView)]
        return sorted(found, key=lambda c: c.name)

    @property
    def groups(self) -> list[GroupView]:
        """The groups in the walk, the one that went in first at the top."""
        found = [e for e in self.entities.values() if isinstance(e, GroupView)]
        return sorted(found, key=lambda g: g.number)

    @property
    def headway(self) -> HeadwayView | None:
        """How soon the next group may go, where the engine follows groups."""
        found = self.entities.get("headway")
        return found if isinstance(found, HeadwayView) else None

    @property
    def crowd(self) -> CrowdView | None:
        """Tonight's groups in numbers, where the engine follows groups."""
        found = self.entities.get("crowd")
        return found if isinstance(found, CrowdView) else None

    @property
    def air(self) -> AirView | None:
        """The air, where the site file has a compressor and a tank."""
        found = self.entities.get("air")
        return found if isinstance(found, AirView) else None

    @property
    def opening(self) -> OpeningView:
        """The opening check, empty before the first snapshot."""
        found = self.entities.get("opening")
        return found if isinstance(found, OpeningView) else OpeningView(required=False)

    def check(self, key: str) -> CheckView | None:
        """An item of the opening check by `SUBJECT/ITEM`."""
        return next((i for i in self.opening.items if f"{i.subject}/{i.item}" == key), None)

    @property
    def alarms(self) -> list[AlarmView]:
        """The alarms, those to act on first at the top: unseen, urgent, old."""
        found = [e for e in self.entities.values() if isinstance(e, AlarmView)]
        return sorted(
            found, key=lambda a: (a.acknowledged, _URGENCY[a.priority], a.since_wall_ns, a.id)
        )
