"""A writing process killed with SIGKILL again and again, always at another moment."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from console.ledger.ledger import Ledger
from console.ledger.reader import Reader

KILLS = 12

_WRITER = """
import pathlib, queue, sys
from console.ledger.entries import Committed, CycleEntry, EventEntry, Travel
from console.ledger.writer import LedgerWriter

results = queue.SimpleQueue()
writer = LedgerWriter(pathlib.Path(sys.argv[1]), results.put)
counter = writer.start.counters.get(("ICE2", 161, 1))
number = counter.highest if counter else 0
travels = (Travel("lid", "out", 340), Travel("lid", "back", 410))
print("open", number, flush=True)
waiting = 0
while True:
    for _ in range(10):
        number += 1
        waiting += 1
        cycle = CycleEntry("ICE2", 161, 1, number, "brine-lid", "burst", "sensor", number, 4.0,
                           176, number, 4000, travels, "done")
        writer.submit(number, [cycle, EventEntry("armed", "brine-lid", {"n": number}, number)])
    while waiting > 20 or not results.empty():
        result = results.get()
        assert isinstance(result, Committed), result
        waiting -= len(result.batch_ids)
        print("ack", *result.batch_ids, flush=True)
"""


def _run_and_kill(path: Path, after_s: float) -> tuple[int, set[int]]:
    """Where the writer began, and what it acknowledged before it was killed."""
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    ) as process:
        assert process.stdout is not None
        word, began = process.stdout.readline().split()
        assert word == "open"
        time.sleep(after_s)
        process.kill()
        lines = process.stdout.read().splitlines(keepends=True)
    whole = [line.split()[1:] for line in lines if line.endswith("\n")]
    return int(began), {int(word) for line in whole for word in line}


def test_no_acknowledged_row_is_lost_in_many_kills(path: Path) -> None:
    """Every row that was acknowledged is there after each of twelve kills, once, in order."""
    rng = random.Random(20261031)
    acknowledged: set[int] = set()
    for _ in range(KILLS):
        began, now = _run_and_kill(path, rng.uniform(0.02, 0.3))
        assert began >= max(acknowledged, default=0)
        acknowledged |= now
        # A reader may be the first to come after a crash, and finds everything.
        with Reader.open(path) as reader:
            there = [c.number for c in reader.cycles()]
            events = {event.detail["n"] for event in reader.events()}
            counts = reader.counts()["brine-lid"].cycles if there else 0
        assert there == sorted(set(there))
        assert acknowledged <= set(there)
        assert events == set(there)
        assert counts == len(there)
    assert len(acknowledged) > 100
    with Ledger.open(path) as ledger:
        counter = ledger.known_counters()["ICE2", 161, 1]
        assert (counter.stored, counter.gaps) == (counter.highest, 0)
    with sqlite3.connect(path) as whole:
        assert whole.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    whole.close()
