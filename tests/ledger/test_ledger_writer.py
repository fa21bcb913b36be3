"""The writer thread: groups, answers for every batch, and outlives whatever it is given."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from console.errors import UserError
from console.ledger.entries import (
    BoardSeen,
    BootMap,
    Committed,
    CycleEntry,
    EventEntry,
    Failed,
    NightOpened,
    WriterResult,
)
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
from console.ledger.writer import GROUP_S, LedgerWriter

MakeCycle = Callable[..., CycleEntry]


class Results:
    """Collects what the writer reports."""

    def __init__(self) -> None:
        self.queue: queue.Queue[WriterResult] = queue.Queue()
        self.threads: set[int] = set()

    def __call__(self, result: WriterResult) -> None:
        self.threads.add(threading.get_ident())
        self.queue.put(result)

    def next(self) -> WriterResult:
        return self.queue.get(timeout=20)

    def until(self, wanted: int) -> list[WriterResult]:
        """Results until this batch is among those that ended for good."""
        seen: list[WriterResult] = []
        while True:
            seen.append(self.next())
            last = seen[-1]
            if wanted in last.batch_ids and not (isinstance(last, Failed) and last.kept):
                return seen


@pytest.fixture
def results() -> Results:
    """What the writer of this test reported."""
    return Results()


@pytest.fixture
def writer(path: Path, results: Results) -> Iterator[LedgerWriter]:
    """A running writer on an empty ledger."""
    running = LedgerWriter(path, results)
    yield running
    running.close()


def test_what_comes_together_is_written_together(
    writer: LedgerWriter, results: Results, cycle: MakeCycle
) -> None:
    """Batches within 10 ms share one transaction, and each has its own answer in order."""
    for number in range(1, 21):
        writer.submit(number, [cycle(number)])
    done = results.until(20)
    assert all(isinstance(result, Committed) for result in done)
    assert [id_ for result in done for id_ in result.batch_ids] == list(range(1, 21))
    assert len(done) <= 3
    first = done[0]
    assert isinstance(first, Committed)
    assert [one.stored for one in first.appended] == [1] * len(first.batch_ids)
    assert results.threads.isdisjoint({threading.get_ident()})


def test_a_lone_batch_waits_no_longer_than_the_group(
    writer: LedgerWriter, results: Results, cycle: MakeCycle
) -> None:
    """One batch by itself is durable soon after the 10 ms that others had to join it."""
    waits = []
    for number in range(1, 11):
        began = time.monotonic()
        writer.submit(number, [cycle(number)])
        results.until(number)
        waits.append(time.monotonic() - began)
    assert min(waits) >= GROUP_S
    assert min(waits) < 10 * GROUP_S


def test_submitting_never_waits(writer: LedgerWriter, results: Results, cycle: MakeCycle) -> None:
    """Handing over a night's worth takes microseconds each, while the disk is at work."""
    began = time.monotonic()
    for number in range(1, 2001):
        writer.submit(number, [cycle(number)])
    assert time.monotonic() - began < 1.0
    results.until(2000)


def test_a_bad_entry_fails_alone(
    writer: LedgerWriter, results: Results, path: Path, cycle: MakeCycle
) -> None:
    """Neighbours of an entry that cannot be stored are stored; it is given up with the reason."""
    writer.submit(1, [cycle(1)])
    writer.submit(2, [cycle(2), cycle(3, board_ms=2**80)])
    writer.submit(3, [EventEntry("armed", "brine-lid", None, 1)])  # type: ignore[arg-type]
    writer.submit(4, [cycle(4)])
    done = results.until(4)
    failed = {id_: r for r in done if isinstance(r, Failed) for id_ in r.batch_ids}
    assert set(failed) == {2, 3}
    assert all(not result.kept and not result.disk_full for result in failed.values())
    assert "OverflowError" in failed[2].reason
    assert "TypeError" in failed[3].reason
    with Reader.open(path) as reader:
        assert [c.number for c in reader.cycles()] == [1, 4]
    writer.submit(5, [cycle(5)])
    assert isinstance(results.next(), Committed)


def test_closing_writes_what_is_left(path: Path, results: Results, cycle: MakeCycle) -> None:
    """What was handed over before closing is durable afterwards, and the file is free."""
    writer = LedgerWriter(path, results)
    for number in range(1, 501):
        writer.submit(number, [cycle(number)])
    assert writer.close()
    with Ledger.open(path) as ledger:
        assert ledger.known_counters()["ICE2", 0xA1, 1].stored == 500
    with pytest.raises(RuntimeError, match="ended"):
        writer.submit(501, [cycle(501)])


def test_a_writer_starts_with_what_is_known(path: Path, results: Results, cycle: MakeCycle) -> None:
    """The engine learns counters, clock mappings and the open night before the first submit."""
    with Ledger.open(path) as ledger:
        ledger.append([NightOpened(5, "Ines", "2026-10-31"), BoardSeen("ICE2", 0xA1, 1, 40)])
        ledger.append([BootMap("ICE2", 0xB0, 10, 20, 3.0), cycle(41)])
    writer = LedgerWriter(path, results)
    assert writer.start.counters["ICE2", 0xA1, 1].highest == 41
    assert writer.start.boot_maps["ICE2", 0xB0].wall_ns == 20
    assert writer.start.night is not None
    assert writer.start.night.by == "Ines"
    writer.close()


def test_a_ledger_that_cannot_be_opened_is_said_at_once(tmp_path: Path, results: Results) -> None:
    """The engine's start fails with the one clear line, not the thread in silence."""
    with pytest.raises(UserError, match="is a folder"):
        LedgerWriter(tmp_path, results)


def test_a_file_moved_away_takes_nothing_with_it(
    writer: LedgerWriter, results: Results, path: Path, cycle: MakeCycle
) -> None:
    """Nothing is acknowledged into a file that has no name any more; back in place, all goes on."""
    writer.submit(1, [cycle(1)])
    results.until(1)
    aside = path.with_name("aside")
    path.rename(aside)
    writer.submit(2, [cycle(2)])
    failed = results.next()
    assert isinstance(failed, Failed)
    assert (failed.batch_ids, failed.kept, failed.disk_full) == ((2,), True, False)
    assert "is gone" in failed.reason
    path.write_bytes(b"")
    writer.submit(3, [cycle(3)])
    failed = results.next()
    assert isinstance(failed, Failed)
    assert "replaced" in failed.reason
    assert set(failed.batch_ids) == {2, 3}
    path.unlink()
    aside.rename(path)
    done = results.until(3)
    assert all(isinstance(result, Committed) for result in done)
    with Reader.open(path) as reader:
        assert [c.number for c in reader.cycles()] == [1, 2, 3]


def test_closing_while_the_disk_fails_gives_up_with_a_word(
    path: Path, results: Results, cycle: MakeCycle
) -> None:
    """Every batch has an answer in the end, also those that could never be written."""
    writer = LedgerWriter(path, results)
    path.rename(path.with_name("aside"))
    writer.submit(1, [cycle(1)])
    assert writer.close()
    *_, last = results.until(1)
    assert isinstance(last, Failed)
    assert not last.kept
