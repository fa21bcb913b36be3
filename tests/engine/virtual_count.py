"""Counts that add up, in virtual time: many triggers on many boards, through every kind of loss.

    python -m tests.engine.virtual_count --triggers 100000

Prints its counts as JSON and exits with 1 if for any board the ledger's cycles and gaps, with the
baseline, are not the board's own counter, or if a cycle is missing that the board still held.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from console.views.models import PropState
from tests.engine.night import FirmwareBoard, Night, SimulatedBoard
from tests.engine.sites import made


class Count:
    """A night on which guests never stop coming and things keep failing."""

    def __init__(
        self, folder: Path, boards: int, seed: int, *, firmware: bool, full_disks: bool = True
    ) -> None:
        kind = FirmwareBoard if firmware else SimulatedBoard
        self.night = Night(
            made(folder, boards), folder, kind, seed=seed, durable=False, commit_ms=50.0
        )
        self.random = Random(seed)
        self.triggers = self.unplugged = self.resets = self.kills = self.full = 0
        self._full_disks = full_disks

    def run(self, triggers: int) -> None:
        """Let this many guests step on mats, among mishaps."""
        night = self.night
        night.until(night.live, 20_000)
        while self.triggers < triggers:
            self._arm()
            for name in night.boards:
                night.trigger(name, ms=20.0)
                self.triggers += 1
                night.run(self.random.uniform(1, 15))
            night.run(self.random.uniform(350, 480))
            self._mishap()

    def _arm(self) -> None:
        night = self.night
        if any(night.state(p.name) is PropState.DISARMED for p in night.site.props):
            night.ask("arm", props=["all"])

    def _mishap(self) -> None:
        night, random = self.night, self.random
        chance = random.random()
        line = random.choice(list(night.wires))
        if chance < 0.03:
            self.unplugged += 1
            night.unplug(line)
            night.after(random.uniform(50, 4000), lambda: night.plug(line))
        elif chance < 0.05:
            self.resets += 1
            night.reset(random.choice(list(night.boards)))
        elif chance < 0.055:
            self.kills += 1
            night.kill_engine()
            night.ended = True
            night.run(random.uniform(0, 3000))
            night.disk_full = False
            night.start_engine()
        elif chance < 0.06 and self._full_disks and not night.disk_full:
            self.full += 1
            night.disk_full = True
            night.after(random.uniform(500, 20_000), self._room)
        elif chance < 0.1:
            wire = night.wires[line]
            wire.lose = lambda data: data if random.random() > 0.3 else data[: random.randrange(20)]
            night.after(random.uniform(100, 1500), lambda: setattr(wire, "lose", lambda data: data))

    def _room(self) -> None:
        self.night.disk_full = False

    def drain(self) -> dict[str, object]:
        """Let everything come back and be fetched, then compare."""
        night = self.night
        night.disk_full = False
        for name, wire in night.wires.items():
            wire.lose = lambda data: data
            night.plug(name)
        night.ask("disarm", props=["all"])
        night.until(night.live, 30_000)
        # A report that was lost on the way comes again within half a second.
        night.run(1500)
        props = night.core.world.props

        def drained() -> bool:
            held = [p.report.oldest for p in props.values() if p.report is not None]
            return len(held) == len(props) and not any(held) and not night.core.recorder.waiting

        night.until(drained, 60_000)
        known = night.ledger.known_counters()
        rows = {}
        right = True
        for prop in props.values():
            assert prop.report is not None
            board = night.core.world.controller_of(prop).controller.board_id
            row = known[board, prop.report.life, prop.prop.index]
            rows[board] = {
                "board": prop.report.number, "stored": row.stored, "gaps": row.gaps,
                "baseline": row.baseline,
            }  # fmt: skip
            right &= row.baseline + row.stored + row.gaps == prop.report.number
            right &= row.gaps == 0 or self.full > 0
        return {
            "right": right,
            "triggers": self.triggers,
            "unplugged": self.unplugged,
            "resets": self.resets,
            "engine_kills": self.kills,
            "full_disks": self.full,
            "cycles": sum(r["stored"] for r in rows.values()),
            "gaps": sum(r["gaps"] for r in rows.values()),
            "virtual_hours": round(night.now_ms / 3_600_000, 2),
            "boards": rows,
        }


def main() -> int:
    """Run as told; 1 if a count is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--triggers", type=int, default=100_000)
    parser.add_argument("--boards", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--simulated", action="store_true")
    parser.add_argument("--no-full-disks", action="store_true", help="then no cycle may be lost")
    asked = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="sx-") as folder:
        count = Count(
            Path(folder),
            asked.boards,
            asked.seed,
            firmware=not asked.simulated,
            full_disks=not asked.no_full_disks,
        )
        count.run(asked.triggers)
        result = count.drain()
        count.night.close()
    result["seconds"] = round(time.monotonic() - began, 1)
    print(json.dumps(result, indent=2))
    return 0 if result["right"] else 1


if __name__ == "__main__":
    sys.exit(main())
