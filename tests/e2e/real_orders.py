"""Arbitrary orders of things on real processes: firmware boards, an engine, sockets, a ledger.

    python -m tests.e2e.real_orders --examples 20

What is done is drawn at random from a seed, so a run can be repeated. After every step no motion is
on at the pins of any board while the all-stop is confirmed; nothing is armed after a clear, a
reset, a reconnect or a new engine unless somebody armed it since; and in the end the ledger's
counts are the boards' own.
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
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import Any

from console.places import data_dir
from tests.boards import firmware_command
from tests.e2e.long_count import board_counter
from tests.engine.real import RealSite

BOARDS = 2
MOTIONS = 0b01


class Orders:
    """One example: steps on a site of two boards."""

    def __init__(self, folder: Path, command: Sequence[str], seed: int) -> None:
        self.site = RealSite(folder, list(command), BOARDS)
        self.random = Random(seed)
        self.armed: set[str] = set()
        self.done: list[str] = []
        self.steps: list[Callable[[], None]] = [
            self.arm, self.arm, self.disarm, self.fire, self.trigger, self.trigger, self.switch,
            self.hand_only, self.stop, self.clear, self.clear, self.reset, self.restart_board,
            self.kill_engine, self.wait,
        ]  # fmt: skip

    def play(self, steps: int) -> None:
        """Begin, do this many things, and look after each."""
        self.site.start_boards()
        self.site.start_engine()
        self.site.until_live(30)
        for _ in range(steps):
            step = self.random.choice(self.steps)
            self.done.append(step.__name__)
            step()
            self.look()

    def look(self) -> None:
        """What must hold at any time."""
        stop = self.site.view("stop")
        confirmed = {c["controller"] for c in stop["confirmations"] if c["progress"] == "confirmed"}
        if stop["latched"]:
            for name in confirmed:
                assert not self.site.bench(name).pins().outputs & MOTIONS, self.done
        for prop, state in self.site.states().items():
            if state == "armed":
                assert prop in self.armed, self.done

    def drain(self) -> None:
        """Fetch everything, end, and compare with each board's own counter."""
        self.site.until_live(30)
        self.site.ask("disarm", props=["all"])
        time.sleep(2.0)
        assert self.site.end_engine() == 0
        counters = self.site.counters()
        for process in self.site.boards.values():
            number, oldest = board_counter(process)
            baseline, stored, gaps = counters[process.boards[0][0]]
            assert (baseline + stored, gaps, oldest) == (number, 0, 0), self.done

    # --- steps --------------------------------------------------------------------------------

    def _prop(self) -> str:
        return f"prop-{self.random.randint(1, BOARDS)}"

    def _board(self) -> str:
        return f"board-{self.random.randint(1, BOARDS)}"

    def arm(self) -> None:
        prop = self._prop()
        self.armed.add(prop)
        self.site.ask("arm", props=[prop])

    def disarm(self) -> None:
        assert self.site.ask("disarm", props=[self._prop()]).ok

    def fire(self) -> None:
        self.site.ask("fire", prop=self._prop())

    def trigger(self) -> None:
        self.site.trigger(self._board(), 0.03)

    def switch(self) -> None:
        self.site.ask("switch", props=["all"], sequence=self.random.choice(["go", "slow"]))

    def hand_only(self) -> None:
        self.site.ask("hand_only", props=[self._prop()], on=self.random.random() < 0.5)

    def stop(self) -> None:
        answers = self.site.stop()
        assert answers[-1]["done"]
        self.armed.clear()

    def clear(self) -> None:
        stop = self.site.view("stop")
        if self.site.ask("clear", stop=stop["id"], by="orders", why="next").ok:
            self.armed.clear()

    def reset(self) -> None:
        name = self._board()
        self.site.bench(name).reset()
        time.sleep(0.3)
        self.armed.discard(name.replace("board", "prop"))

    def restart_board(self) -> None:
        name = self._board()
        self.site.boards[name].end(signal.SIGKILL)
        self.armed.discard(name.replace("board", "prop"))
        time.sleep(self.random.uniform(0, 0.5))
        self.site.boards[name].start()
        time.sleep(0.2)

    def kill_engine(self) -> None:
        self.site.end_engine(signal.SIGKILL)
        time.sleep(self.random.uniform(0, 0.5))
        self.armed.clear()
        self.site.start_engine()

    def wait(self) -> None:
        time.sleep(self.random.uniform(0.05, 0.6))


def play(seed: int, steps: int, command: Sequence[str]) -> list[str]:
    """One whole example; what was done in it."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    orders = Orders(folder, command, seed)
    try:
        orders.play(steps)
        orders.drain()
    finally:
        orders.site.close()
        shutil.rmtree(folder, ignore_errors=True)
    return orders.done


def main() -> int:
    """Play as many as asked; an assertion ends it with the steps that led there."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=20)
    parser.add_argument("--steps", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    home = tempfile.mkdtemp(prefix="sx-", dir="/tmp")
    os.environ.setdefault("SEXTON_RUNTIME", f"{home}/run")
    os.environ.setdefault("SEXTON_DATA", f"{home}/data")
    data_dir()
    began = time.monotonic()
    result: dict[str, Any] = {"examples": 0, "steps": 0}
    try:
        for n in range(asked.examples):
            result["steps"] += len(play(asked.seed + n, asked.steps, firmware_command()))
            result["examples"] += 1
    finally:
        shutil.rmtree(home, ignore_errors=True)
        result["seconds"] = round(time.monotonic() - began, 1)
        print(json.dumps(result))
    return 0


if __name__ == "__main__":
    sys.exit(main())
