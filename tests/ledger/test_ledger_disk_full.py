"""A disk that fills up for real, and ones that only pretend, under a writer at work."""

from __future__ import annotations

import json
import os
import queue
import resource
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from console.errors import UserError
from console.ledger import writer as writer_module
from console.ledger.entries import Committed, CycleEntry, Failed, NightOpened, WriterResult
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
from console.ledger.writer import LedgerWriter

MakeCycle = Callable[..., CycleEntry]
DISK_KIB = 1024


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one mebibyte."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_KIB}k", "tmpfs", str(folder)]
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("mounting a small disk needs root; a page limit stands in for it below")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def _fill(folder: Path) -> Path:
    """Use up every block that is left."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as out:
        for size in (65536, 4096, 512):
            try:
                while out.write(b"x" * size):
                    pass
            except OSError:
                continue
    return ballast


def test_a_full_disk_loses_nothing_that_was_acknowledged(
    small_disk: Path, cycle: MakeCycle
) -> None:
    """The disk fills in mid-night: said once, kept, written when there is room, and in order."""
    path = small_disk / "works.ledger"
    results: queue.Queue[WriterResult] = queue.Queue()
    writer = LedgerWriter(path, results.put)
    writer.submit(0, [NightOpened(1, "Ines")])
    number = 0
    acknowledged: set[int] = set()
    while number < 40:
        number += 1
        writer.submit(number, [cycle(number)])
    while not {0, 40} <= acknowledged:
        result = results.get(timeout=20)
        assert isinstance(result, Committed)
        acknowledged.update(result.batch_ids)

    ballast = _fill(small_disk)
    failed: list[Failed] = []
    while not failed:
        number += 1
        writer.submit(number, [cycle(number)])
        result = results.get(timeout=20)
        if isinstance(result, Failed):
            failed.append(result)
        else:
            acknowledged.update(result.batch_ids)
    assert failed[0].disk_full
    assert failed[0].kept
    assert "full" in failed[0].reason
    held = set(failed[0].batch_ids)

    for _ in range(30):
        number += 1
        writer.submit(number, [cycle(number)])
    with Reader.open(path) as reader:
        there = {c.number for c in reader.cycles()}
    assert acknowledged - {0} <= there
    assert not held & there

    ballast.unlink()
    while number not in acknowledged:
        result = results.get(timeout=20)
        if isinstance(result, Committed):
            assert not acknowledged & set(result.batch_ids)
            acknowledged.update(result.batch_ids)
        else:
            assert result.kept
    assert writer.close()
    assert acknowledged == set(range(number + 1))
    with Reader.open(path) as reader:
        assert [c.number for c in reader.cycles()] == list(range(1, number + 1))
        counter = reader.counters()["ICE2", 0xA1, 1]
        assert (counter.stored, counter.gaps) == (number, 0)
    with sqlite3.connect(path) as whole:
        assert whole.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    whole.close()


def test_a_full_disk_at_the_start_is_one_clear_line(small_disk: Path) -> None:
    """A ledger cannot be made where nothing is left."""
    ballast = _fill(small_disk)
    with pytest.raises(UserError, match="no room on the disk"):
        Ledger.open(small_disk / "works.ledger")
    ballast.unlink()
    Ledger.open(small_disk / "works.ledger").close()


def test_a_page_limit_is_a_full_disk(path: Path, cycle: MakeCycle) -> None:
    """SQLITE_FULL by a limit on pages: rolled back whole, usable again when the limit goes."""
    with Ledger.open(path) as ledger:
        ledger.append([cycle(1)])
        pages = ledger._db.execute("PRAGMA page_count").fetchone()[0]
        ledger._db.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(sqlite3.OperationalError, match="full"):
            ledger.append([cycle(n) for n in range(2, 2000)])
        assert ledger.known_counters()["ICE2", 0xA1, 1].highest == 1
        ledger._db.execute("PRAGMA max_page_count = 1073741823")
        assert ledger.append([cycle(n) for n in range(2, 2000)]).stored == 1998


_LIMITED = """
import json, pathlib, queue, sys
from console.ledger.entries import Committed, EventEntry
from console.ledger.writer import LedgerWriter
results = queue.Queue()
writer = LedgerWriter(pathlib.Path(sys.argv[1]), results.put)
acknowledged, failed = [], []
for number in range(400):
    writer.submit(number, [EventEntry("armed", "prop", {"number": number, "pad": "x" * 900}, 1)])
    result = results.get(timeout=20)
    if isinstance(result, Committed):
        acknowledged.extend(result.batch_ids)
    else:
        failed.append([result.reason, result.kept])
        break
writer.close()
print(json.dumps([acknowledged, failed]))
"""


def test_a_limit_on_file_size_is_an_error_that_can_be_survived(path: Path) -> None:
    """The system refuses to let the WAL grow: reported, and everything acknowledged is there."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))

    done = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(path)],
        capture_output=True,
        text=True,
        preexec_fn=limit,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert done.returncode == 0, done.stderr
    acknowledged, failed = json.loads(done.stdout)
    assert acknowledged
    assert [kept for _, kept in failed] == [True]
    with Reader.open(path) as reader:
        there = {event.detail["number"] for event in reader.events()}
    assert set(acknowledged) <= there


def test_what_is_kept_has_a_bound(
    path: Path, cycle: MakeCycle, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the disk fails the oldest stay in memory and the newest are given up, and said so."""
    monkeypatch.setattr(writer_module, "KEPT_ENTRIES", 25)
    results: queue.Queue[WriterResult] = queue.Queue()
    writer = LedgerWriter(path, results.put)
    aside = path.with_name("aside")
    path.rename(aside)
    for number in range(1, 41):
        writer.submit(number, [cycle(number)])
    given_up: set[int] = set()
    while len(given_up) < 15:
        result = results.get(timeout=20)
        assert isinstance(result, Failed)
        if not result.kept:
            given_up.update(result.batch_ids)
    assert given_up == set(range(26, 41))
    aside.rename(path)
    assert writer.close()
    with Reader.open(path) as reader:
        assert [c.number for c in reader.cycles()] == list(range(1, 26))
