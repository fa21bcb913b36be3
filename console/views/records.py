"""What a console reads from past nights: plain rows, and the reader that brings them.

The screens draw these and know no ledger; whoever starts a console hands it a `RecordReader`
(`console.commands.console_child` does). All wall times are nanoseconds since 1970 in UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol


@dataclass(frozen=True, slots=True)
class NightRecord:
    """One opening. `date` is the local date by which people ask for it."""

    id: int
    date: str
    opened_wall_ns: int
    closed_wall_ns: int | None
    cycles: int


@dataclass(frozen=True, slots=True)
class CycleRecord:
    """One cycle that was kept. `bound_ms` says how far off the start may be."""

    night: str
    prop: str
    number: int
    sequence: str
    trigger: str
    outcome: str
    started_wall_ns: int
    bound_ms: float
    duration_ms: int


@dataclass(frozen=True, slots=True)
class RecordFilter:
    """Which cycles are wanted; None and empty texts mean all of them."""

    night: int | None = None
    prop: str = ""
    outcome: str = ""


@dataclass(frozen=True, slots=True)
class LeakTestRecord:
    """One leak test. `percent` is of the compressor, None where the site file had none."""

    wall_ns: int
    leak_cfm: float
    percent: float | None
    by: str


class RecordReader(Protocol):
    """Reads the ledger from outside the engine. Every call may take a while: use a thread.

    Any call raises `console.errors.UserError` with what is wrong and what to do about it.
    """

    def nights(self) -> list[NightRecord]:
        """Every night, newest first."""

    def outcomes(self) -> list[str]:
        """Every outcome that the ledger holds, in the order of the alphabet."""

    def cycles(self, wanted: RecordFilter, limit: int) -> list[CycleRecord]:
        """The newest `limit` cycles that match, newest first."""

    def export(self, wanted: RecordFilter, kind: str, path: Path) -> int:
        """Write all matching cycles, oldest first, as `csv` or `json`; how many there were."""

    def leak_tests(self) -> list[LeakTestRecord]:
        """Every leak test, oldest first."""
