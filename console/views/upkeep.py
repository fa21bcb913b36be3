"""What a console shows of upkeep: plain rows, and whoever brings them.

The screens draw these and know neither ledger nor site file; `console.upkeep.pages` makes them.
All wall times are nanoseconds since 1970 in UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class UpkeepItem:
    """One piece of upkeep. `subject` is what the action `service` takes: `prop/motion/part:task`.

    `share` is how much of its nearest limit is used up, None where nobody counts it. `entry` is the
    newest work on it, 0 without any.
    """

    subject: str
    id: str
    title: str
    kind: str
    standing: str
    share: float | None
    used: str
    when: str
    chance: str
    entry: int = 0
    recorded_wall_ns: int = 0
    by: str = ""


@dataclass(frozen=True, slots=True)
class UpkeepList:
    """Every piece of upkeep, soonest first, and a line about the nights ahead."""

    ahead: str
    items: tuple[UpkeepItem, ...]


@dataclass(frozen=True, slots=True)
class Worsening:
    """Something about a prop that is getting worse, and what usually causes it."""

    place: str
    text: str
    cause: str


@dataclass(frozen=True, slots=True)
class WorkRecord:
    """One entry of work. `holds` is False where a later entry corrected it."""

    entry: int
    wall_ns: int
    by: str
    what: str
    note: str
    holds: bool


@dataclass(frozen=True, slots=True)
class TravelChart:
    """Times of one motion in one direction and sequence, oldest first, all in milliseconds.

    `expected` is what the baseline says, `limit` where the average would be a flag; both are None
    while too little is known. `flagged_at` is the place of the value that raised the flag.
    """

    sequence: str
    direction: str
    values: tuple[float, ...]
    average: tuple[float | None, ...]
    expected: tuple[float | None, ...]
    limit: tuple[float | None, ...]
    slower: float
    learning: bool
    flagged_at: int | None = None


@dataclass(frozen=True, slots=True)
class PartPage:
    """All about one part."""

    subject: str
    id: str
    facts: tuple[str, ...]
    items: tuple[UpkeepItem, ...]
    work: tuple[WorkRecord, ...]
    charts: tuple[TravelChart, ...]


@dataclass(frozen=True, slots=True)
class SeasonTable:
    """Cycles by prop and night; one count for each of `nights`, oldest first."""

    nights: tuple[str, ...]
    props: tuple[tuple[str, tuple[int, ...]], ...]


class UpkeepLook(Protocol):
    """Looks at upkeep from outside the engine. Every call may take a while: use a thread.

    Any call raises `console.errors.UserError` with what is wrong and what to do about it.
    """

    def due(self, *, everything: bool = False) -> UpkeepList:
        """What is due and will be; with `everything`, also what nothing makes due."""

    def worse(self) -> list[Worsening]:
        """What is getting worse, over the whole site."""

    def part(self, subject: str) -> PartPage:
        """One part's page."""

    def season(self) -> SeasonTable:
        """Cycles per prop and night."""
