"""What every screen of one console shares: what is known, whom to ask, and what was answered."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, field
from typing import Protocol

from console.screens.store import Store
from console.screens.tour import Tour
from console.views.client import Reply
from console.views.models import Refusal, StopProgress
from console.views.records import RecordReader
from console.views.upkeep import UpkeepLook

QUICK_FIRE_S = 60.0
"""How long further fires need one key on a prop's own page: a scare is a matter of timing."""


class Engine(Protocol):
    """Where requests go: an `EngineClient`."""

    async def request(self, action: str, **args: object) -> Reply:
        """Ask for one action; always answers, with a refusal where the engine is not there."""


class Stopper(Protocol):
    """Sends all-stops past everything else."""

    def press(self, source: str, by: str) -> None:
        """Send one now. Returns at once."""

    @property
    def reached(self) -> bool:
        """Whether there is an open way to the engine's stops."""

    @property
    def unsent(self) -> bool:
        """Whether a press has not reached the engine."""

    @property
    def unanswered_s(self) -> float:
        """For how long the engine has said nothing to a press; 0 where nothing is waited for."""


@dataclass(frozen=True, slots=True)
class Notice:
    """The last answer that wants reading. It stands until the next one, or until Escape."""

    title: str
    refusals: tuple[tuple[str, Refusal], ...] = ()
    good: bool = False


@dataclass(slots=True)
class Desk:
    """One console's share of things. `who` is the name that dialogs begin with."""

    store: Store
    engine: Engine
    stopper: Stopper
    who: str
    records: RecordReader | None = None
    upkeep: UpkeepLook | None = None
    notice: Notice | None = None
    tour: Tour = field(default_factory=Tour)
    did: Counter[str] = field(default_factory=Counter)
    """How often each action was done from here: taken on by the engine, or read and closed."""
    _quick_until: dict[str, float] = field(default_factory=dict)

    def fired_from_page(self, prop: str) -> None:
        """A fire was confirmed on this prop's own page."""
        self._quick_until[prop] = time.monotonic() + QUICK_FIRE_S

    def quick_fire_s(self, prop: str) -> float:
        """For how many seconds more this prop's page needs no second key."""
        return max(0.0, self._quick_until.get(prop, 0.0) - time.monotonic())

    def unconfirmed(self) -> list[str]:
        """The controllers that did not confirm the latched all-stop in time."""
        stop = self.store.stop
        return [
            c.controller
            for c in stop.confirmations
            if stop.latched and c.progress is StopProgress.NOT_CONFIRMED
        ]
