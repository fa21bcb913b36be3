"""`sexton stop` against stop sockets that answer, don't answer, and aren't there.

The stand-in of the key guard's tests is used because a real engine cannot be told to stay silent.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

STAND_IN = Path(__file__).parents[1] / "keyguard" / "stand_in.py"


class Engines:
    """A runtime folder of our own with stand-ins in it."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
        self.running: list[subprocess.Popen[bytes]] = []
        self.locks: list[IO[str]] = []

    def lock(self, slug: str) -> None:
        """Hold an engine's lock as a running one does."""
        (self.folder / slug).mkdir(exist_ok=True)
        lock = (self.folder / slug / "engine.lock").open("w")
        fcntl.flock(lock, fcntl.LOCK_EX)
        lock.write(json.dumps({"pid": 4_000_000, "site": f"Site \x1b{slug}", "ledger": "x"}))
        lock.flush()
        self.locks.append(lock)

    def start(self, slug: str, mode: str) -> subprocess.Popen[bytes]:
        """Run one stand-in under a held lock."""
        self.lock(slug)
        socket, log = self.folder / slug / "stop.sock", self.folder / f"{slug}.log"
        self.running.append(
            subprocess.Popen([sys.executable, str(STAND_IN), str(socket), str(log), mode])
        )
        while not socket.exists():
            time.sleep(0.005)
        return self.running[-1]

    def stop(self, *words: str) -> tuple[subprocess.CompletedProcess[str], float]:
        """Run `sexton stop`; its outcome, and how many seconds it took."""
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-P", "-m", "console.cli", "stop", *words],
            env={**os.environ, "SEXTON_RUNTIME": str(self.folder)},
            capture_output=True,
            text=True,
            timeout=30,
        )
        return done, time.monotonic() - began

    def sources(self, slug: str) -> list[str]:
        """Who asked the engine of `slug` to stop."""
        log = self.folder / f"{slug}.log"
        lines = log.read_text().splitlines() if log.exists() else []
        return [json.loads(json.loads(line)["line"][1:])["source"] for line in lines]

    def close(self) -> None:
        """End everything."""
        for process in self.running:
            process.send_signal(signal.SIGCONT)
            process.kill()
            process.wait()
        for lock in self.locks:
            lock.close()
        shutil.rmtree(self.folder)


@pytest.fixture
def engines() -> Iterator[Engines]:
    """Nothing running yet."""
    it = Engines()
    yield it
    it.close()


def test_without_an_engine_it_says_so(engines: Engines) -> None:
    """No engine at all is not a success, for people and for scripts."""
    done, _ = engines.stop()
    assert (done.returncode, done.stdout) == (3, "sexton: no engine is running\n")
    done, _ = engines.stop("--json")
    assert (done.returncode, json.loads(done.stdout)) == (3, {"confirmed": False, "engines": []})


def test_the_remains_of_a_dead_engine_are_no_engine(engines: Engines) -> None:
    """A socket's file and a lock that nobody holds don't count."""
    engines.start("gone-1", "confirm").kill()
    engines.running[0].wait()
    engines.locks.pop().close()
    done, _ = engines.stop()
    assert done.returncode == 3


def test_every_engine_is_stopped_quickly(engines: Engines) -> None:
    """All engines are stopped in one go, interpreter's start included in well under a second."""
    engines.start("one-1", "confirm")
    engines.start("two-2", "confirm")
    engines.stop()
    done, took_s = engines.stop()
    assert done.returncode == 0
    assert done.stdout.count("2 of 2 controllers confirmed") == 2
    assert "\x1b" not in done.stdout
    assert engines.sources("one-1") == engines.sources("two-2") == ["shell", "shell"]
    assert took_s < 1.0


def test_one_site_alone(engines: Engines) -> None:
    """Given an engine's name, only that one is stopped; given another, none and code 3."""
    engines.start("one-1", "confirm")
    engines.start("two-2", "confirm")
    assert engines.stop("two-2")[0].returncode == 0
    assert engines.stop("three-3")[0].returncode == 3
    assert (engines.sources("one-1"), engines.sources("two-2")) == ([], ["shell"])


def test_an_unconfirmed_controller_is_not_a_success(engines: Engines) -> None:
    """The controller is named with what to do, and the code is 1."""
    engines.start("one-1", "partial")
    done, _ = engines.stop()
    assert done.returncode == 1
    assert "ice: NOT CONFIRMED, close its air by hand" in done.stdout
    done, _ = engines.stop("--json")
    [engine] = json.loads(done.stdout)["engines"]
    assert (done.returncode, engine["confirmed"], engine["of"]) == (1, 1, 2)


@pytest.mark.parametrize("frozen", [False, True])
def test_a_silent_engine_delays_no_other(engines: Engines, frozen: bool) -> None:
    """An engine that hangs is reported after a while; the other had its stop at once."""
    silent = engines.start("a-silent", "silent")
    engines.start("b-alive", "confirm")
    if frozen:
        silent.send_signal(signal.SIGSTOP)
    done, took_s = engines.stop()
    assert done.returncode == 1
    assert "ENGINE GIVES NO ANSWER" in done.stdout
    assert "kill -9 4000000" in done.stdout
    assert engines.sources("b-alive") == ["shell"]
    assert took_s < 5


def test_an_engine_without_its_socket_is_not_overlooked(engines: Engines) -> None:
    """Where the lock says that an engine lives but nothing listens, the code is 1, not 3."""
    engines.lock("deaf-1")
    done, _ = engines.stop()
    assert done.returncode == 1
    assert "ENGINE GIVES NO ANSWER" in done.stdout
