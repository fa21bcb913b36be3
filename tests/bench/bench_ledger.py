"""How long until a cycle is durable, beside a bare loop of writes and fsyncs in the same run.

Run it as `python tests/bench/bench_ledger.py [--events 2000] [--rate 400] [--folder .]`. Figures of
different machines compare only as ratios to the bare loop.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import tempfile
import time
from pathlib import Path

from console.ledger.entries import Committed, CycleEntry, Travel, WriterResult
from console.ledger.ledger import Ledger
from console.ledger.writer import GROUP_S, LedgerWriter

_TRAVELS = (Travel("lid", "out", 340), Travel("lid", "back", 410))


def _cycle(number: int) -> CycleEntry:
    return CycleEntry(
        board="ICE2",
        life=161,
        prop_index=1,
        number=number,
        prop="brine-lid",
        sequence="burst",
        trigger="sensor",
        started_wall_ns=time.time_ns(),
        bound_ms=4.0,
        boot=176,
        board_ms=number,
        duration_ms=4000,
        travels=_TRAVELS,
        outcome="done",
    )


def bare_fsync_ms(folder: Path, events: int) -> list[float]:
    """Append 4 KiB and fsync, again and again; milliseconds each."""
    took = []
    descriptor = os.open(folder / "bare", os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)
    for _ in range(events):
        began = time.perf_counter()
        os.write(descriptor, b"x" * 4096)
        os.fsync(descriptor)
        took.append((time.perf_counter() - began) * 1000)
    os.close(descriptor)
    return took


def single_commits_ms(folder: Path, events: int) -> list[float]:
    """One transaction for each cycle; milliseconds each."""
    took = []
    with Ledger.open(folder / "single.ledger") as ledger:
        for number in range(1, events + 1):
            began = time.perf_counter()
            ledger.append([_cycle(number)])
            took.append((time.perf_counter() - began) * 1000)
    return took


def group_commits_ms(folder: Path, events: int, rate: float) -> tuple[list[float], int]:
    """Cycles at `rate` a second through the writer; milliseconds until each is acknowledged."""
    results: queue.SimpleQueue[tuple[float, WriterResult]] = queue.SimpleQueue()
    writer = LedgerWriter(
        folder / "group.ledger", lambda result: results.put((time.perf_counter(), result))
    )
    submitted: dict[int, float] = {}
    start = time.perf_counter()
    for number in range(1, events + 1):
        wait = start + number / rate - time.perf_counter()
        if wait > 0:
            time.sleep(wait)
        submitted[number] = time.perf_counter()
        writer.submit(number, [_cycle(number)])
    took: list[float] = []
    commits = 0
    while len(took) < events:
        at, result = results.get()
        assert isinstance(result, Committed), result
        commits += 1
        took.extend((at - submitted[batch_id]) * 1000 for batch_id in result.batch_ids)
    writer.close()
    return took, commits


def _percentiles(took: list[float]) -> dict[str, float]:
    ordered = sorted(took)
    return {
        "p50_ms": ordered[len(ordered) // 2],
        "p99_ms": ordered[len(ordered) * 99 // 100],
        "worst_ms": ordered[-1],
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=2000)
    parser.add_argument("--rate", type=float, default=400.0, help="cycles a second")
    parser.add_argument("--folder", type=Path, help="on the disk to measure (default: temporary)")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        folder = Path(name)
        bare = _percentiles(bare_fsync_ms(folder, args.events))
        single = _percentiles(single_commits_ms(folder, args.events))
        took, commits = group_commits_ms(folder, args.events, args.rate)
        group = _percentiles(took)
    found = {
        "events": args.events,
        "rate_per_s": args.rate,
        "group_window_ms": GROUP_S * 1000,
        "bare_fsync": bare,
        "single_commit": single,
        "group_commit": {**group, "cycles_per_commit": args.events / commits},
        "ratio_single_to_bare_p50": single["p50_ms"] / bare["p50_ms"],
        "ratio_single_to_bare_p99": single["p99_ms"] / bare["p99_ms"],
        # The window is a choice, not a cost; the rest is what the ledger adds.
        "ratio_group_less_window_to_bare_p99": max(group["p99_ms"] - GROUP_S * 1000, 0.0)
        / bare["p99_ms"],
    }
    if args.json:
        print(json.dumps(found, indent=2))
        return
    print(f"{args.events} cycles, {args.rate:g} a second, window {GROUP_S * 1000:g} ms")
    for name, values in (("bare fsync", bare), ("single commit", single), ("group commit", group)):
        row = "  ".join(f"{key[:-3]} {value:8.3f} ms" for key, value in values.items())
        print(f"{name:14} {row}")
    print(f"cycles per commit {args.events / commits:.1f}")
    for key, value in found.items():
        if key.startswith("ratio"):
            print(f"{key} {value:.2f}")


if __name__ == "__main__":
    main()
