"""An all-stop from the key guard and from the shell, checked at the pins of firmware boards.

Everything is real: boards are the host-built firmware on pseudo-terminals, the engine is a process,
and so are guard and shell.
"""

from __future__ import annotations

import os
import pty
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from console.places import EngineFolder, engine_folder, slug_of
from console.views.client import call, snapshot
from console.views.models import ControllerView, LinkState, PropState, PropView, StopView
from tests.boards import BoardProcess, firmware_command, running, until
from tests.engine.sites import write

BOARDS = 3
SEXTON = (sys.executable, "-P", "-m", "console.cli")
GUARD = (sys.executable, "-P", "-m", "console.keyguard")


class Yard:
    """A site of three boards with its engine."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        site = write(folder, BOARDS)
        site.write_text(site.read_text().replace("900 ms", "1900 ms").replace("800 ms", "1800 ms"))
        self.boards: list[BoardProcess] = []
        for number in range(1, BOARDS + 1):
            place = folder / f"b{number}"
            place.mkdir()
            board = BoardProcess(firmware_command(), place, [(f"B-{number}", number)])
            self.boards.append(stack.enter_context(running(board)))
            (folder / "ports" / f"line-{number}").symlink_to(board.port)
        self.folder: EngineFolder = engine_folder(slug_of(site))
        self.engine = subprocess.Popen(
            [*SEXTON, "engine", str(site), "--ledger", str(folder / "yard.db")],
            stdout=subprocess.DEVNULL,
        )
        stack.callback(self.engine.wait, 10)
        stack.callback(self.engine.terminate)
        until(self.all_live, 30, "all boards live")

    def all_live(self) -> bool:
        """Whether every board has a session."""
        try:
            views = snapshot(self.folder.socket).values()
        except OSError:
            return False
        links = [v.link for v in views if isinstance(v, ControllerView)]
        return links == [LinkState.LIVE] * BOARDS

    def props(self) -> dict[str, PropView]:
        """The props as the engine shows them."""
        views = snapshot(self.folder.socket).values()
        return {v.name: v for v in views if isinstance(v, PropView)}

    def set_going(self) -> None:
        """Arm everything and have every prop in the middle of a long cycle."""
        names = [f"prop-{n}" for n in range(1, BOARDS + 1)]
        call(self.folder.socket, "switch", {"props": names, "sequence": "slow"})
        until(lambda: {p.sequence for p in self.props().values()} == {"slow"}, 5, "switched")
        reply = call(self.folder.socket, "arm", {"props": names})
        assert set(reply.done) == set(names), reply
        until(lambda: {p.state for p in self.props().values()} == {PropState.ARMED}, 5, "armed")
        for board in self.boards:
            board.bench.set(1, 0)
        for board in self.boards:
            board.bench.wait(lambda pins: pins.outputs & 1)

    def assert_stopped(self, source: str) -> None:
        """Motions off at every pin, latched, and a trigger changes nothing."""
        for board in self.boards:
            board.bench.wait(lambda pins: not pins.outputs & 1, seconds=1.0)
        until(lambda: {p.state for p in self.props().values()} == {PropState.STOPPED}, 5, "stopped")
        stop = snapshot(self.folder.socket)["stop"]
        assert isinstance(stop, StopView)
        assert (stop.latched, stop.source) == (True, source)
        for board in self.boards:
            board.bench.set(1, 1)
            mark = board.bench.mark()
            board.bench.set(1, 0)
            board.bench.look(0.1)
            assert not any(pins.outputs & 1 for pins in board.bench.since(mark))


@pytest.fixture
def yard() -> Iterator[Yard]:
    """Everything is live and at rest."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    with ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        yield Yard(folder, stack)


def test_the_shell_stops_everything(yard: Yard) -> None:
    """`sexton stop` without a site finds the engine, and each board confirms by name."""
    yard.set_going()
    done = subprocess.run([*SEXTON, "stop"], capture_output=True, text=True, timeout=20)
    yard.assert_stopped("shell")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "3 of 3 controllers confirmed" in done.stdout
    assert all(f"board-{n}: confirmed" in done.stdout for n in range(1, BOARDS + 1))


@pytest.mark.parametrize(
    ("keys", "source"),
    [
        (b"\x1b[20~", "key F9"),
        (b"\x18", "key Ctrl+X"),
        (b"\x1b[200~half a paste \x1b[120;5u", "key Ctrl+X"),
        (b"\x1b[<0;3;24M", "click"),
    ],
)
def test_the_guard_stops_everything_while_its_console_hangs(
    yard: Yard, keys: bytes, source: str
) -> None:
    """A key, a paste or a click reaches all boards although the console reads nothing at all."""
    outer, slave = pty.openpty()
    guard = subprocess.Popen(
        [*GUARD, "--stop-socket", str(yard.folder.stop_socket), "--", "sleep", "60"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    try:
        yard.set_going()
        os.write(outer, keys)
        yard.assert_stopped(source)
    finally:
        guard.terminate()
        guard.wait(10)
        os.close(outer)
        os.close(slave)
