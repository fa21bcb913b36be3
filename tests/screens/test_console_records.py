"""What a console reads of past nights, out of a real ledger and a real site file."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from console.commands.console_child import LedgerRecords
from console.errors import UserError
from console.ledger.entries import (
    CycleEntry,
    NightClosed,
    NightOpened,
)
from console.ledger.ledger import Ledger
from console.places import EngineFolder
from console.views.records import RecordFilter

EVENING_NS = 1_793_484_000 * 10**9
"""2026-10-31 22:00 UTC."""
SITE = Path(__file__).parent.parent.parent / "configs" / "demo.yaml"
DOOR = "ice-house-door"


def cycle(number: int, outcome: str = "done") -> CycleEntry:
    """One cycle of the ice-house door."""
    return CycleEntry(
        "DOOR-1", 7, 0, number, DOOR, "thaw", "sensor", EVENING_NS + number * 10**10, 3.0,
        1, number * 10_000, 4000, (), outcome,
    )  # fmt: skip


@pytest.fixture
def records(tmp_path: Path) -> LedgerRecords:
    """Two nights: a whole one of 5 cycles, and an open one of 2, the last one stopped."""
    path = tmp_path / "night.ledger"
    folder = EngineFolder(tmp_path)
    folder.lock.write_text(json.dumps({"site": str(SITE), "ledger": str(path), "pid": 1}))
    with Ledger.open(path) as ledger:
        ledger.append([NightOpened(EVENING_NS, "P. Marsh", "2026-10-30")])
        ledger.append([cycle(n) for n in range(1, 6)])
        ledger.append([NightClosed(EVENING_NS, "P. Marsh")])
        ledger.append([NightOpened(EVENING_NS, "P. Marsh", "2026-10-31")])
        ledger.append([cycle(6), cycle(7, "stopped")])
    return LedgerRecords(folder)


def test_nights_come_newest_first(records: LedgerRecords) -> None:
    """With their counts; the open one has no end."""
    nights = records.nights()
    assert [(n.date, n.cycles) for n in nights] == [("2026-10-31", 2), ("2026-10-30", 5)]
    assert nights[0].closed_wall_ns is None
    assert nights[1].closed_wall_ns is not None


def test_cycles_are_filtered_and_cut_at_the_old_end(records: LedgerRecords) -> None:
    """Newest first; a limit leaves out the oldest."""
    assert [c.number for c in records.cycles(RecordFilter(), 3)] == [7, 6, 5]
    night = records.nights()[1].id
    assert [c.number for c in records.cycles(RecordFilter(night=night), 9)] == [5, 4, 3, 2, 1]
    assert [c.number for c in records.cycles(RecordFilter(outcome="stopped"), 9)] == [7]
    assert records.cycles(RecordFilter(prop="stoker"), 9) == []
    assert records.outcomes() == ["done", "stopped"]


def test_an_export_has_everything_and_overwrites_nothing(
    records: LedgerRecords, tmp_path: Path
) -> None:
    """CSV and JSON read back; a file that is there stays as it is."""
    target = tmp_path / "out.csv"
    assert records.export(RecordFilter(), "csv", target) == 7
    with target.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert [row["number"] for row in rows] == [str(n) for n in range(1, 8)]
    assert records.export(RecordFilter(outcome="stopped"), "json", tmp_path / "out.json") == 1
    (row,) = json.loads((tmp_path / "out.json").read_text())
    assert row["outcome"] == "stopped"
    with pytest.raises(UserError, match="is there already"):
        records.export(RecordFilter(), "csv", target)
    with pytest.raises(UserError, match="cannot be written"):
        records.export(RecordFilter(), "csv", tmp_path / "no" / "such.csv")


def test_without_an_engine_the_message_says_so(tmp_path: Path) -> None:
    """No lock file, no path, no traceback."""
    with pytest.raises(UserError, match="does not say where its ledger is"):
        LedgerRecords(EngineFolder(tmp_path)).nights()
