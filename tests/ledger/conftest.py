"""A real ledger file for each test, and cycles to put into it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from console.ledger.entries import CycleEntry, Travel
from console.ledger.ledger import Ledger

OCTOBER_EVENING_NS = 1_793_484_000 * 10**9
"""2026-10-31 22:00 UTC, 18:00 in New York: the last night before summer time ends there."""

MakeCycle = Callable[..., CycleEntry]


@pytest.fixture
def evening_ns() -> int:
    """Six in the evening in New York on the last day of October 2026."""
    return OCTOBER_EVENING_NS


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where this test keeps its ledger."""
    return tmp_path / "works.ledger"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    """An open, empty ledger."""
    with Ledger.open(path) as opened:
        yield opened


@pytest.fixture
def cycle() -> MakeCycle:
    """Makes a cycle of the brine lid; every field can be given another value."""

    def make(number: int = 1, **other: object) -> CycleEntry:
        values: dict[str, object] = {
            "board": "ICE2",
            "life": 0xA1,
            "prop_index": 1,
            "number": number,
            "prop": "brine-lid",
            "sequence": "burst",
            "trigger": "sensor",
            "started_wall_ns": OCTOBER_EVENING_NS + number * 45 * 10**9,
            "bound_ms": 4.0,
            "boot": 0xB0,
            "board_ms": number * 45_000,
            "duration_ms": 4000,
            "travels": (Travel("lid", "out", 340), Travel("lid", "back", 410)),
            "outcome": "done",
        }
        return CycleEntry(**(values | other))  # type: ignore[arg-type]

    return make
