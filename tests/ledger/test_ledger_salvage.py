"""Copies of a ledger, and what is saved of a damaged one."""

from __future__ import annotations

import random
import sqlite3
import threading
from pathlib import Path

import pytest

from console.cli import main
from console.errors import UserError
from console.ledger.backup import back_up
from console.ledger.entries import BoardSeen, CycleEntry, EventEntry, NightClosed, NightOpened
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
from console.ledger.salvage import salvage

_NS = 1_000_000_000


def cycle(number: int) -> CycleEntry:
    """One cycle a minute."""
    return CycleEntry(
        "MF-2", 5, 1, number, "saw-bench", "plain", "sensor", number * 60 * _NS, 4.0, 1,
        number * 60_000, 2000, (), "done",
    )  # fmt: skip


def filled(path: Path, cycles: int) -> None:
    """A ledger of one night with a baseline of 100 and an event for every cycle."""
    ledger = Ledger.open(path)
    ledger.append([NightOpened(0, "Ada", "2027-10-29"), BoardSeen("MF-2", 5, 1, 100)])
    for first in range(101, 101 + cycles, 500):
        numbers = range(first, min(first + 500, 101 + cycles))
        ledger.append([cycle(n) for n in numbers])
        ledger.append([EventEntry("note", "saw-bench", {"text": "x" * 80}, n) for n in numbers])
    ledger.append([NightClosed((cycles + 200) * 60 * _NS, "Ada")])
    ledger.close()


def test_backup_beside_a_writer(tmp_path: Path) -> None:
    """A copy taken while another thread writes is whole, and a moment of the ledger."""
    path = tmp_path / "a.ledger"
    filled(path, 1000)
    stop = threading.Event()
    failed: list[UserError] = []

    def write() -> None:
        try:
            ledger = Ledger.open(path)
            number = 1101
            while not stop.is_set():
                ledger.append([cycle(number)])
                number += 1
            ledger.close()
        except UserError as error:
            failed.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for n in range(5):
            back_up(path, tmp_path / f"copy{n}.ledger")
    finally:
        stop.set()
        writer.join()
    assert not failed
    highest = []
    for n in range(5):
        with Reader.open(tmp_path / f"copy{n}.ledger") as reader:
            (counter,) = reader.counters().values()
            assert counter.baseline + counter.stored + counter.gaps == counter.highest
            highest.append(counter.highest)
    assert highest == sorted(highest)


def test_restored_backup_goes_on(tmp_path: Path) -> None:
    """A ledger put back from its copy takes the next cycle where the copy ended."""
    path, copy = tmp_path / "a.ledger", tmp_path / "b.ledger"
    filled(path, 20)
    assert main(["backup", "--ledger", str(path), "-o", str(copy)]) == 0
    path.unlink()
    copy.rename(path)
    ledger = Ledger.open(path)
    ledger.append([cycle(121)])
    (counter,) = ledger.known_counters().values()
    ledger.close()
    assert (counter.highest, counter.stored, counter.gaps) == (121, 21, 0)


def test_no_backup_is_overwritten(tmp_path: Path) -> None:
    """An existing file is left alone."""
    path = tmp_path / "a.ledger"
    filled(path, 5)
    with pytest.raises(UserError, match="there already"):
        back_up(path, path)


def test_salvage_of_a_whole_ledger_loses_nothing(tmp_path: Path) -> None:
    """Where nothing is damaged, every sum and row of the new ledger is that of the old one."""
    path, saved = tmp_path / "a.ledger", tmp_path / "b.ledger"
    filled(path, 1500)
    found = salvage(path, saved, 7)
    assert (found.unreadable, found.missing_cycles) == (0, 0)
    with Reader.open(path) as old, Reader.open(saved) as new:
        assert new.counters() == old.counters()
        assert new.counts() == old.counts()
        assert new.nights() == old.nights()
        assert list(new.cycles()) == list(old.cycles())
        assert list(new.events()) == list(old.events())


@pytest.mark.parametrize("seed", range(12))
def test_salvage_of_a_damaged_ledger_adds_up(tmp_path: Path, seed: int) -> None:
    """With pages of noise in it the sums still hold, and most cycles are saved."""
    path, saved = tmp_path / "a.ledger", tmp_path / "b.ledger"
    filled(path, 3000)
    with sqlite3.connect(path) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = database.execute("PRAGMA page_size").fetchone()
        (pages,) = database.execute("PRAGMA page_count").fetchone()
    chance = random.Random(seed)
    with path.open("r+b") as file:
        for page in chance.sample(range(pages // 3, pages), 4):
            file.seek(page * size)
            file.write(chance.randbytes(size))
    try:
        found = salvage(path, saved, 7)
    except UserError:
        pytest.fail("a third of the file was whole, and nothing was saved")
    ledger = Ledger.open(saved)
    for counter in ledger.known_counters().values():
        assert counter.baseline + counter.stored + counter.gaps == counter.highest
    assert ledger.known_counters()["MF-2", 5, 1].highest <= 3100
    assert found.rows["cycles"] >= 1500
    with Reader.open(saved) as reader:
        assert sum(c.cycles for c in reader.counts().values()) == found.rows["cycles"]
        assert sum(g.last - g.first + 1 for g in reader.gaps()) == found.missing_cycles
    # Every number the board has is there, or known to be missing, once the board is heard again.
    ledger.append([BoardSeen("MF-2", 5, 1, 3100)])
    after = ledger.known_counters()["MF-2", 5, 1]
    assert (after.highest, after.baseline + after.stored + after.gaps) == (3100, 3100)
    ledger.close()


def test_noise_is_no_ledger(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of noise gives one line and leaves nothing behind."""
    path, saved = tmp_path / "a.ledger", tmp_path / "b.ledger"
    path.write_bytes(random.Random(1).randbytes(50_000))
    assert main(["salvage", str(path), "-o", str(saved)]) == 2
    assert "nothing can be read" in capsys.readouterr().err
    assert not saved.exists()
