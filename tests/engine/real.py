"""A site of real processes: board processes on pseudo-terminals, and an engine that is killed."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from console.ledger.reader import Reader
from console.places import EngineFolder, engine_folder, slug_of
from console.views.client import Reply, call, raw_snapshot
from tests.boards import ROOT, Bench, BoardProcess
from tests.engine import sites


def until(given: Callable[[], object], seconds: float, what: str) -> None:
    """Wait for something that happens in other processes."""
    end = time.monotonic() + seconds
    while not given():
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        time.sleep(0.01)


class RealSite:
    """Boards, each a process on a line of its own, and the engine of their site."""

    def __init__(
        self, folder: Path, command: list[str], boards: int = 1, **options: object
    ) -> None:
        self.folder = folder
        self.site = sites.write(folder, boards, **options)
        self.ledger = folder / "night.ledger"
        self.names = [f"board-{n}" for n in range(1, boards + 1)]
        self.boards: dict[str, BoardProcess] = {}
        for n, name in enumerate(self.names, start=1):
            place = folder / name
            place.mkdir()
            self.boards[name] = BoardProcess(command, place, ((f"B-{n}", n),))
            (folder / "ports" / f"line-{n}").symlink_to(self.boards[name].port)
        self.engine: subprocess.Popen[str] | None = None
        self.sockets: EngineFolder = engine_folder(slug_of(self.site))

    def start_boards(self) -> None:
        """Start every board."""
        for board in self.boards.values():
            board.start()

    def bench(self, name: str) -> Bench:
        """The pins of a board."""
        return self.boards[name].bench

    def start_engine(self, *options: str, wait: bool = True) -> None:
        """Start the engine and wait until it listens."""
        self.engine = subprocess.Popen(
            [sys.executable, "-m", "console.cli", "engine", str(self.site),
             "--ledger", str(self.ledger), *options],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        if wait:
            until(self._answers, 20, "the engine answers")

    def _answers(self) -> bool:
        assert self.engine is not None
        if self.engine.poll() is not None:
            assert self.engine.stdout is not None
            raise AssertionError(f"the engine ended: {self.engine.stdout.read()}")
        try:
            raw_snapshot(self.sockets.socket)
        except OSError:
            return False
        return True

    def end_engine(self, how: int = signal.SIGTERM) -> int:
        """End the engine; its exit code."""
        engine, self.engine = self.engine, None
        if engine is None:
            return 0
        engine.send_signal(how)
        try:
            return engine.wait(15)
        finally:
            engine.kill()
            engine.wait()
            assert engine.stdout is not None
            self.said = engine.stdout.read()
            engine.stdout.close()

    def close(self) -> None:
        """End everything."""
        self.end_engine()
        for board in self.boards.values():
            board.end()

    # --- asking -------------------------------------------------------------------------------

    def ask(self, action: str, **args: object) -> Reply:
        """Ask the engine for an action."""
        return call(self.sockets.socket, action, args)

    def view(self, key: str) -> dict[str, Any]:
        """One entity, as JSON."""
        found: dict[str, Any] = raw_snapshot(self.sockets.socket)[key]
        return found

    def states(self) -> dict[str, str]:
        """State of every prop."""
        return {
            k.removeprefix("prop/"): v["state"]
            for k, v in raw_snapshot(self.sockets.socket).items()
            if k.startswith("prop/")
        }

    def until_all(self, state: str, seconds: float = 10.0) -> None:
        """Wait until every prop is in this state."""
        until(lambda: set(self.states().values()) == {state}, seconds, f"all {state}")

    def until_live(self, seconds: float = 10.0) -> None:
        """Wait until every controller is live."""

        def live() -> bool:
            seen = raw_snapshot(self.sockets.socket)
            links = {v["link"] for k, v in seen.items() if k.startswith("controller/")}
            return links == {"live"}

        until(live, seconds, "all live")

    def arm_all(self) -> None:
        """Arm everything."""
        until(lambda: self.ask("arm", props=["all"]).ok, 10, "arming is taken on")
        self.until_all("armed")

    def alarms(self) -> list[str]:
        """Ids of standing alarms."""
        return [
            k.removeprefix("alarm/")
            for k in raw_snapshot(self.sockets.socket)
            if k.startswith("alarm/")
        ]

    def stop(self, source: str = "shell") -> list[dict[str, Any]]:
        """All-stop on the stop socket; every answer till the last."""
        import json

        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(5)
            link.connect(os.fspath(self.sockets.stop_socket))
            link.sendall(b"\x18" + json.dumps({"source": source, "by": "test"}).encode() + b"\n")
            answers = []
            with link.makefile() as lines:
                for line in lines:
                    answers.append(json.loads(line))
                    if "done" in answers[-1]:
                        break
        return answers

    def trigger(self, name: str, seconds: float = 0.03) -> None:
        """A guest on the mat."""
        bench = self.bench(name)
        bench.set(1, 0)
        time.sleep(seconds)
        bench.set(1, 1)

    def counters(self) -> dict[str, tuple[int, int, int]]:
        """By board: baseline, stored, gaps, as the ledger has them."""
        with Reader.open(self.ledger) as reader:
            return {
                board: (c.baseline, c.stored, c.gaps)
                for (board, _, _), c in reader.counters().items()
            }
