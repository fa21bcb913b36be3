"""The demo as a whole: it counts right, is found, and leaves nothing behind however it ends."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from console.launch import find_engine, running
from console.places import engine_folders
from console.views.client import snapshot
from console.views.models import PropState, PropView, StopView
from tests.boards import until

Sit = Callable[..., Any]
SEXTON = (sys.executable, "-P", "-m", "console.cli")


@pytest.fixture(autouse=True)
def apart(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Each demo has places of its own, and afterwards none of its processes is left."""
    monkeypatch.setenv("SEXTON_RUNTIME", str(folder / "run"))
    monkeypatch.setenv("SEXTON_DATA", str(folder / "data"))
    monkeypatch.setenv("TMPDIR", str(folder))
    yield folder
    left = _processes(folder)
    for process in left:
        process.kill()
    assert not left


def _processes(folder: Path) -> list[psutil.Process]:
    """Every process that has to do with the demo in `folder`."""
    found = []
    for process in psutil.process_iter():
        try:
            words = " ".join(process.cmdline())
        except psutil.Error:
            continue
        if str(folder) in words and process.status() != psutil.STATUS_ZOMBIE:
            found.append(process)
    return found


def _headless(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*SEXTON, "demo", "--headless", *words], stdout=subprocess.PIPE, text=True
    )


def _is_up() -> bool:
    return any(running(folder) and folder.socket.exists() for folder in engine_folders())


def _is_armed() -> bool:
    if not _is_up():
        return False
    views = snapshot(find_engine(None).folder.socket).values()
    return any(isinstance(view, PropView) and view.state is PropState.ARMED for view in views)


def _no_traces(folder: Path) -> bool:
    """Whether processes and private folders are gone, and only records are left."""
    places = list(folder.glob("sexton-demo-*")) + [f.folder for f in engine_folders()]
    return not _processes(folder) and not places


def test_a_headless_night_counts_what_the_boards_counted(apart: Path) -> None:
    """One JSON object on stdout: cycles by prop, and the boards' own counters agree with it."""
    ledger = apart / "night.ledger"
    words = ("--for", "8s", "--json", "--seed", "7", "--rate", "6", "--ledger", str(ledger))
    night = _headless(*words)
    said, _ = night.communicate(timeout=120)
    counts = json.loads(said)
    assert night.returncode == 0
    assert said.count("\n") == 1
    assert counts["agree"] is True
    assert sum(counts["cycles"].values()) == sum(counts["triggers"].values()) > 0
    assert sum(row["counter"] for row in counts["boards"]) == sum(counts["cycles"].values())
    assert len(counts["boards"]) == len(counts["cycles"]) >= 8
    assert (counts["all_stops"], counts["ledger"]) == (0, str(ledger))
    assert ledger.exists()
    assert _no_traces(apart)


def test_shell_commands_find_the_demo(apart: Path, sit: Sit) -> None:
    """`status`, `stop` and `attach` work without a site, and the stop shows in the counts."""
    night = _headless("--for", "20s", "--json", "--rate", "6")
    until(_is_armed, 60, "the night has begun")
    stopped = subprocess.run([*SEXTON, "stop"], capture_output=True, text=True)
    assert stopped.returncode == 0, stopped.stdout
    seat = sit("attach")
    status = subprocess.run([*SEXTON, "status", "--json"], capture_output=True, check=True)
    assert json.loads(status.stdout)["site"]["demo"] is True
    seat.until("ALL-STOP  F9 or Ctrl+X")
    said, _ = night.communicate(timeout=120)
    counts = json.loads(said)
    assert (counts["all_stops"], counts["agree"]) == (1, True)


def test_a_console_opens_on_it_and_closing_it_ends_all(apart: Path, sit: Sit) -> None:
    """The whole demo is one command: a console over props that run, and nothing left after it."""
    seat = sit("demo", "--rate", "6")
    seat.until("ALL-STOP  F9 or Ctrl+X")
    seat.until("armed")
    engine = find_engine(None)
    assert engine.demo
    seat.type(b"\x1b[20~")
    seat.until(lambda: _latched(engine.folder.socket))
    assert seat.leave() == 0
    assert "sexton log --ledger" in seat.seen
    assert seat.modes_are_back
    assert _no_traces(apart)


def _latched(socket: Path) -> bool:
    stop = snapshot(socket)["stop"]
    assert isinstance(stop, StopView)
    return stop.latched


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_nothing_is_left_when_it_is_killed(apart: Path, number: signal.Signals) -> None:
    """Interrupted, told to end or killed outright: boards and engine end, private folders go."""
    night = _headless("--for", "1h")
    until(_is_up, 60, "the demo is up")
    night.send_signal(number)
    night.communicate(timeout=60)
    assert night.returncode == (-9 if number == signal.SIGKILL else 128 + number)
    until(lambda: not _processes(apart), 20, "every process has ended")
    assert not list(apart.glob("sexton-demo-*"))


def test_nothing_is_left_when_it_is_killed_while_starting(apart: Path) -> None:
    """Killed before anything is up, it leaves no process either."""
    night = _headless("--for", "1h")
    until(lambda: len(_processes(apart)) >= 1, 30, "a first process has started")
    night.kill()
    night.communicate(timeout=20)
    until(lambda: not _processes(apart), 20, "every process has ended")


def test_a_dead_engine_is_started_again_and_the_counts_still_agree(apart: Path) -> None:
    """The engine killed in mid-night: it is started again, and no cycle is lost or doubled."""
    night = _headless("--for", "12s", "--json", "--rate", "6")
    until(_is_up, 60, "the demo is up")
    time.sleep(3)
    before = find_engine(None)
    os.kill(before.pid, signal.SIGKILL)
    said, _ = night.communicate(timeout=120)
    assert json.loads(said)["agree"] is True


def test_without_its_boards_it_ends(apart: Path) -> None:
    """When the simulated boards die the demo says so and ends, with code 2."""
    night = subprocess.Popen(
        [*SEXTON, "demo", "--headless", "--for", "1h"], stderr=subprocess.PIPE, text=True
    )
    until(_is_up, 60, "the demo is up")
    [boards] = [p for p in _processes(apart) if "drivers.simulated.night" in p.cmdline()]
    boards.kill()
    _, said = night.communicate(timeout=60)
    assert night.returncode == 2
    assert "simulated boards have ended" in said


@pytest.mark.parametrize("words", [["--for", "soon"], ["--for", "0s"], ["--rate", "0"], ["--json"]])
def test_words_that_make_no_sense_end_with_2(words: list[str]) -> None:
    """A time, a rate or a combination that cannot be meant is refused before anything starts."""
    done = subprocess.run([*SEXTON, "demo", *words], capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
