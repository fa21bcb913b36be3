"""Readers beside a writer at work: they hold nobody up and see whole things only."""

from __future__ import annotations

import queue
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from console.ledger.entries import (
    BoardSeen,
    Committed,
    CycleEntry,
    EventEntry,
    GapEntry,
    MissedTrigger,
    NightClosed,
    NightOpened,
    WriterResult,
)
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.ledger.writer import LedgerWriter

MakeCycle = Callable[..., CycleEntry]


@pytest.fixture
def two_nights(path: Path, cycle: MakeCycle) -> Path:
    """Two nights of two props, with misses and an event."""
    with Ledger.open(path) as ledger:
        for night, date in enumerate(["2026-10-30", "2026-10-31"]):
            first = night * 1500 + 1
            wall = night * 10**9 + 5
            ledger.append([NightOpened(night * 10**9, "Ines", date)])
            ledger.append([cycle(n, started_wall_ns=wall) for n in range(first, first + 1500)])
            ledger.append(
                [
                    cycle(n, started_wall_ns=wall, prop="loft-hatch", prop_index=2, trigger="actor",
                          outcome="stopped" if n % 10 == 0 else "done")
                    for n in range(first, first + 700)
                ]
            )  # fmt: skip
            ledger.append([MissedTrigger("ICE2", "loft-hatch", "sensor", "resting", 1)] * 3)
            ledger.append([EventEntry("armed", "loft-hatch", {}, 1, "Ines")])
            ledger.append([NightClosed(night * 10**9 + 10**8, "Ines")])
    return path


def test_filters_take_what_they_say(two_nights: Path) -> None:
    """Night, prop, outcome and trigger, alone and together, over many pages of rows."""
    with Reader.open(two_nights) as reader:
        cycles = list(reader.cycles())
        assert len(cycles) == 4400
        assert [c.seq for c in cycles] == sorted(c.seq for c in cycles)
        for wanted in [
            Filter(nights=(2,)),
            Filter(nights=(1, 2), prop="loft-hatch"),
            Filter(prop="brine-lid", trigger="sensor"),
            Filter(outcome="stopped"),
            Filter(nights=(2,), prop="loft-hatch", outcome="done", trigger="actor"),
            Filter(nights=()),
            Filter(prop="nobody"),
            Filter(after_seq=cycles[2000].seq),
        ]:
            expected = [
                c
                for c in cycles
                if (wanted.nights is None or c.night_id in wanted.nights)
                and wanted.prop in (None, c.prop)
                and wanted.outcome in (None, c.outcome)
                and wanted.trigger in (None, c.trigger)
                and c.seq > wanted.after_seq
            ]
            assert list(reader.cycles(wanted)) == expected
        newest = Filter(prop="brine-lid", newest=700)
        brine = [c for c in cycles if c.prop == "brine-lid"]
        assert list(reader.cycles(newest)) == brine[-700:]
        assert list(reader.cycles(Filter(newest=10**6))) == cycles
        assert len(list(reader.missed(Filter(nights=(1,), reason="resting")))) == 3
        assert list(reader.missed(Filter(source="actor"))) == []
        assert [e.night_id for e in reader.events(Filter(prop="loft-hatch"))] == [1, 2]


def test_nights_and_counts_come_from_the_rollups(two_nights: Path) -> None:
    """Sums per night and for life agree with each other."""
    with Reader.open(two_nights) as reader:
        assert [(n.date, n.cycles, n.missed) for n in reader.nights()] == [
            ("2026-10-30", 2200, 3),
            ("2026-10-31", 2200, 3),
        ]
        life = reader.counts()
        assert life["loft-hatch"].by_outcome == {"done": 1260, "stopped": 140}
        assert life["brine-lid"].cycles == 3000
        assert reader.props() == ["brine-lid", "loft-hatch"]
        assert reader.outcomes() == ["done", "stopped"]
        assert reader.open_night() is None


def test_open_gaps_are_listed_with_their_reasons(path: Path, cycle: MakeCycle) -> None:
    """Who is missing cycles, which, and why."""
    with Ledger.open(path) as ledger:
        ledger.append([cycle(1), cycle(10), BoardSeen("ICE3", 5, 1, 7), BoardSeen("ICE3", 5, 1, 9)])
        ledger.append([GapEntry("ICE2", 0xA1, 1, 2, 6, "overwritten", 77)])
    with Reader.open(path) as reader:
        gaps = [(g.board, g.prop, g.first, g.last, g.reason) for g in reader.gaps()]
        assert gaps == [
            ("ICE2", "brine-lid", 2, 6, "overwritten"),
            ("ICE2", "brine-lid", 7, 9, "not-fetched"),
            ("ICE3", "", 8, 9, "not-fetched"),
        ]
        assert reader.counters()["ICE3", 5, 1].baseline == 7


def test_a_reader_can_write_nothing(two_nights: Path) -> None:
    """Even by mistake."""
    with Reader.open(two_nights) as reader, pytest.raises(sqlite3.OperationalError, match="read"):
        reader._db.execute("DELETE FROM cycles")


def test_an_answer_ends_where_it_began(path: Path, cycle: MakeCycle) -> None:
    """Rows that arrive while an answer is taken are not part of it, so it always ends."""
    with Ledger.open(path) as ledger, Reader.open(path) as reader:
        ledger.append([cycle(n) for n in range(1, 1201)])
        answer = reader.cycles()
        next(answer)
        ledger.append([cycle(n) for n in range(1201, 2401)])
        assert sum(1 for _ in answer) == 1199


def test_a_slow_reader_does_not_swell_the_wal(path: Path, cycle: MakeCycle) -> None:
    """A console that stops in the middle of a long answer does not keep the WAL from folding."""
    wal = path.with_name(path.name + "-wal")
    with Ledger.open(path) as ledger, Reader.open(path) as reader:
        ledger.append([cycle(n) for n in range(1, 2001)])
        answer = reader.cycles()
        next(answer)
        sizes = []
        for batch in range(60):
            first = 2001 + batch * 200
            ledger.append([cycle(n) for n in range(first, first + 200)])
            sizes.append(wal.stat().st_size)
        assert max(sizes) < 8 * 2**20
        assert sum(1 for _ in answer) == 1999


def test_readers_and_a_writer_do_not_wait_for_each_other(path: Path, cycle: MakeCycle) -> None:
    """Two readers look without pause while cycles come; each sees whole batches only."""
    results: queue.Queue[WriterResult] = queue.Queue()
    writer = LedgerWriter(path, results.put)
    stop = threading.Event()
    seen: list[list[int]] = [[], []]

    def look(place: int) -> None:
        with Reader.open(path) as reader:
            while not stop.is_set():
                counts = reader.counts()
                seen[place].append(counts["brine-lid"].cycles if counts else 0)
                sum(1 for _ in reader.cycles(Filter(newest=50)))

    readers = [threading.Thread(target=look, args=(place,)) for place in (0, 1)]
    for reader in readers:
        reader.start()
    slowest = 0.0
    for batch in range(1, 61):
        began = time.monotonic()
        writer.submit(batch, [cycle(n) for n in range(batch * 10, batch * 10 + 10)])
        result = results.get(timeout=20)
        assert isinstance(result, Committed)
        slowest = max(slowest, time.monotonic() - began)
    stop.set()
    for reader in readers:
        reader.join()
    writer.close()
    assert slowest < 2.0
    for counts in seen:
        assert len(counts) > 10
        assert counts == sorted(counts)
        assert all(count % 10 == 0 for count in counts)


def test_another_process_reads_while_the_engine_writes(path: Path, cycle: MakeCycle) -> None:
    """The shell looks into a ledger that is open for writing elsewhere, and after it is closed."""
    command = [sys.executable, "-m", "console.cli", "log", "--ledger", str(path), "--csv"]
    with Ledger.open(path) as ledger:
        ledger.append([cycle(1), cycle(2)])
        during = subprocess.run(command, capture_output=True, text=True, check=True)
        ledger.append([cycle(3)])
    after = subprocess.run(command, capture_output=True, text=True, check=True)
    assert len(during.stdout.splitlines()) == 3
    assert len(after.stdout.splitlines()) == 4
