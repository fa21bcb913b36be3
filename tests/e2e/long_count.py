"""Counts that add up, with real processes: firmware boards, lines, an engine that is killed.

    python -m tests.e2e.long_count

Eight firmware boards on pseudo-terminals, 500 triggers in all, while lines are closed and opened at
random, boards are reset, and the engine is killed with SIGKILL five times and started again. Once
drained, for every board the cycles in the ledger plus recorded gaps and the baseline must be the
board's own counter, and gaps must be zero where the board still held the records. Prints the counts
as JSON; exits with 1 if one is wrong.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

from console.places import data_dir
from console.views.client import raw_snapshot
from tests.boards import BoardProcess, Console, Wire, firmware_command
from tests.engine.real import RealSite

OUT_S = (0.2, 2.5)


class LongCount:
    """A night on real processes among mishaps."""

    def __init__(self, folder: Path, command: Sequence[str], boards: int, seed: int = 1) -> None:
        self.site = RealSite(folder, list(command), boards)
        self.random = Random(seed)
        self.counts = {"triggers": 0, "lines_closed": 0, "boards_restarted": 0, "resets": 0,
                       "engine_kills": 0}  # fmt: skip
        self._back: dict[str, float] = {}

    def run(self, triggers: int, kills: int) -> None:
        """This many triggers, with this many deaths of the engine among them."""
        site, random = self.site, self.random
        site.start_boards()
        site.start_engine()
        site.until_live(20)
        assert site.ask("open_night", by="long count").ok
        kill_at = sorted(random.sample(range(triggers // 10, triggers), kills))
        while self.counts["triggers"] < triggers:
            self._bring_back()
            self._arm()
            there = [n for n in site.names if n not in self._back]
            for name in random.sample(there, min(len(there), 4)):
                site.trigger(name, 0.02)
                self.counts["triggers"] += 1
            time.sleep(random.uniform(0.1, 0.3))
            if kill_at and self.counts["triggers"] >= kill_at[0]:
                kill_at.pop(0)
                self._kill_engine()
            self._mishap()

    def _arm(self) -> None:
        seen = raw_snapshot(self.site.sockets.socket)
        props = [v for k, v in seen.items() if k.startswith("prop/")]
        idle = [v["name"] for v in props if v["state"] == "disarmed" and not v["asked"]]
        if idle:
            self.site.ask("arm", props=idle)

    def _mishap(self) -> None:
        chance = self.random.random()
        there = [n for n in self.site.names if n not in self._back]
        if not there:
            return
        name = self.random.choice(there)
        if chance < 0.2:
            self.counts["lines_closed"] += 1
            self._hide(name)
        elif chance < 0.28:
            self.counts["resets"] += 1
            self.site.bench(name).reset()
        elif chance < 0.34:
            self.counts["boards_restarted"] += 1
            self._pull(name)
            self.site.boards[name].start()

    def _hide(self, name: str) -> None:
        """Close a board's line under the engine: its process ends, and its port with it."""
        self._pull(name)
        self._back[name] = time.monotonic() + self.random.uniform(*OUT_S)

    def _pull(self, name: str) -> None:
        board = self.site.boards[name]
        # An adapter's device goes with it; a killed board's pseudo-terminal may be another's soon.
        board.port.unlink(missing_ok=True)
        board.end(signal.SIGKILL)

    def _bring_back(self, *, all_of_them: bool = False) -> None:
        for name, when in list(self._back.items()):
            if all_of_them or time.monotonic() >= when:
                self.site.boards[name].start()
                del self._back[name]

    def _kill_engine(self) -> None:
        self.counts["engine_kills"] += 1
        self.site.end_engine(signal.SIGKILL)
        for name in self.site.names:
            # Triggers that come while nobody listens: still armed boards follow and remember them.
            if name not in self._back and self.random.random() < 0.5:
                self.site.trigger(name, 0.02)
                self.counts["triggers"] += 1
        time.sleep(self.random.uniform(0, 1.5))
        self.site.start_engine()

    def drain(self) -> dict[str, Any]:
        """Let everything be fetched, end the engine, and ask each board itself."""
        site = self.site
        self._bring_back(all_of_them=True)
        site.until_live(30)
        site.ask("disarm", props=["all"])
        before = None
        quiet = time.monotonic()
        while time.monotonic() - quiet < 2.5:
            now = site.counters()
            if now != before:
                before, quiet = now, time.monotonic()
            time.sleep(0.1)
        assert site.end_engine() == 0
        counters = site.counters()
        boards: dict[str, Any] = {}
        for name, process in site.boards.items():
            number, oldest = board_counter(process)
            baseline, stored, gaps = counters[process.boards[0][0]]
            boards[name] = {
                "board": number, "stored": stored, "gaps": gaps, "baseline": baseline,
                "still_held": number - oldest + 1 if oldest else 0,
            }  # fmt: skip
        right = all(
            b["baseline"] + b["stored"] + b["gaps"] == b["board"]
            and b["gaps"] == 0
            and b["still_held"] == 0
            for b in boards.values()
        )
        return {
            "right": right,
            **self.counts,
            "cycles": sum(b["stored"] for b in boards.values()),
            "gaps": sum(b["gaps"] for b in boards.values()),
            "boards": boards,
        }


def board_counter(process: BoardProcess) -> tuple[int, int]:
    """The newest cycle number that a board itself gives, and the oldest one that it still holds."""
    wire = Wire(process.port)
    try:
        console = Console(wire, process.boards[0][1])
        console.open(0x10C0)
        report = console.prop_report()
        return report.number, report.oldest
    finally:
        wire.close()


def main() -> int:
    """Run as told; 1 if a count is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=8)
    parser.add_argument("--triggers", type=int, default=500)
    parser.add_argument("--kills", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    os.environ.setdefault("SEXTON_RUNTIME", str(folder / "run"))
    os.environ.setdefault("SEXTON_DATA", str(folder / "data"))
    data_dir()
    began = time.monotonic()
    count = LongCount(folder, firmware_command(), asked.boards, asked.seed)
    try:
        count.run(asked.triggers, asked.kills)
        result = count.drain()
    finally:
        count.site.close()
        shutil.rmtree(folder, ignore_errors=True)
    result["seconds"] = round(time.monotonic() - began, 1)
    print(json.dumps(result, indent=2))
    return 0 if result["right"] else 1


if __name__ == "__main__":
    sys.exit(main())
