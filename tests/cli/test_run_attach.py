"""`sexton run` and `sexton attach` on real engines, real terminals and simulated boards."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from console.errors import UserError
from console.launch import Running, find_engine, running
from console.places import engine_folder, slug_of
from console.views.client import call, snapshot
from console.views.models import ControllerView, LinkState, PropState, PropView
from tests.boards import BoardProcess, simulated_command, until
from tests.boards import running as board_running
from tests.engine.sites import write

Sit = Callable[..., Any]


@pytest.fixture
def site(folder: Path) -> Iterator[Path]:
    """A site of one board that is up; whatever engine was started for it is ended."""
    path = write(folder)
    board = BoardProcess(simulated_command(), folder, [("B-1", 1)])
    with board_running(board):
        (folder / "ports" / "line-1").symlink_to(board.port)
        yield path
        engine = running(engine_folder(slug_of(path)))
        if engine is not None:
            os.kill(engine.pid, signal.SIGTERM)
            until(lambda: running(engine.folder) is None, 10, "the engine ended")


def _engine(site: Path) -> Running:
    found = running(engine_folder(slug_of(site)))
    assert found is not None
    return found


def _sexton(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-P", "-m", "console.cli", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )


def _is_live(site: Path) -> bool:
    try:
        views = snapshot(engine_folder(slug_of(site)).socket)
    except OSError:
        return False
    board = views["controller/board-1"]
    return isinstance(board, ControllerView) and board.link is LinkState.LIVE


def _state(site: Path) -> PropState:
    prop = snapshot(_engine(site).folder.socket)["prop/prop-1"]
    assert isinstance(prop, PropView)
    return prop.state


def test_run_starts_an_engine_that_outlives_the_console(site: Path, sit: Sit) -> None:
    """A console opens, and after it is closed the engine goes on, for `attach` to find."""
    ledger = site.parent / "yard.db"
    first = sit("run", str(site), "--ledger", str(ledger))
    first.until("ALL-STOP  F9 or Ctrl+X")
    first.until(lambda: _is_live(site))
    assert _engine(site).ledger == str(ledger)
    second = sit("attach")
    second.until("ALL-STOP  F9 or Ctrl+X")
    second.type(b"\x18")
    second.until(lambda: _state(site) is PropState.STOPPED)
    assert first.leave() == 0
    assert "The engine goes on" in first.seen
    assert first.modes_are_back
    assert second.leave() == 0
    assert _engine(site).site == str(site)


def test_run_starts_a_dead_engine_again_disarmed(site: Path, sit: Sit) -> None:
    """An engine killed under a console is started again, and nothing is armed then."""
    seat = sit("run", str(site))
    seat.until(lambda: _is_live(site))
    before = _engine(site)
    call(before.folder.socket, "arm", {"props": ["prop-1"]})
    seat.until(lambda: _state(site) is PropState.ARMED)
    os.kill(before.pid, signal.SIGKILL)
    seat.until(lambda: (e := running(before.folder)) is not None and e.pid != before.pid)
    seat.until(lambda: _is_live(site))
    assert _state(site) is PropState.DISARMED


def test_a_killed_run_leaves_a_clean_terminal_and_the_engine(site: Path, sit: Sit) -> None:
    """Ended by a signal, it gives the terminal back; the engine goes on."""
    seat = sit("run", str(site))
    seat.until("ALL-STOP  F9 or Ctrl+X")
    seat.process.send_signal(signal.SIGTERM)
    assert seat.code() == 128 + signal.SIGTERM
    assert seat.modes_are_back
    assert _engine(site).pid


def test_without_a_terminal_nothing_is_started(site: Path) -> None:
    """`run` and `demo` say that they need a terminal before they start an engine."""
    done = _sexton("run", str(site))
    assert done.returncode == 2
    assert "needs a terminal" in done.stderr
    assert running(engine_folder(slug_of(site))) is None
    assert _sexton("demo").returncode == 2


def test_a_broken_site_is_told_as_check_tells_it(folder: Path) -> None:
    """Problems of the site file come by line and column, and no engine is tried."""
    path = write(folder)
    path.write_text(path.read_text().replace("rest: 200 ms", "rest: soon"))
    done = _sexton("run", str(path))
    assert done.returncode == 2
    assert f"{path}:" in done.stderr
    assert "Traceback" not in done.stderr


def test_attach_without_an_engine_is_code_3() -> None:
    """Nothing runs: it says so and how to start one."""
    done = _sexton("attach")
    assert done.returncode == 3
    assert "no engine is running" in done.stderr


def test_an_engine_with_another_ledger_is_not_taken(site: Path, sit: Sit) -> None:
    """Asked for another ledger than the running engine has, `run` refuses and names both."""
    first = sit("run", str(site), "--ledger", str(site.parent / "a.db"))
    first.until(lambda: _is_live(site))
    second = sit("run", str(site), "--ledger", str(site.parent / "b.db"))
    assert second.code() == 2
    assert "a.db" in second.seen


def test_several_engines_have_to_be_told_apart(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With two engines running, no site is an error that lists them; a site finds its own."""
    import fcntl

    monkeypatch.setenv("SEXTON_RUNTIME", str(folder / "run"))
    sites = [folder / "one.yaml", folder / "two.yaml"]
    locks = []
    for path in sites:
        place = engine_folder(slug_of(path))
        place.folder.mkdir()
        locks.append(place.lock.open("w"))
        fcntl.flock(locks[-1], fcntl.LOCK_EX)
        locks[-1].write(f'{{"pid": 1, "site": "{path}", "ledger": "", "demo": false}}')
        locks[-1].flush()
    with pytest.raises(UserError, match="several engines") as several:
        find_engine(None)
    assert all(str(path) in several.value.hint for path in sites)
    assert find_engine(str(sites[1])).site == str(sites[1])
    for lock in locks:
        lock.close()
