"""The process around simulated controllers: how it starts, ends and answers its bench."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.boards import ROOT, Bench, BoardProcess, Console, Wire, running, simulated_command


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*simulated_command(), *map(str, arguments)],
        cwd=ROOT, capture_output=True, text=True, timeout=20, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_on_a_signal(folder: Path, how: signal.Signals) -> None:
    """Exit code 0, and the links are gone."""
    process = BoardProcess(simulated_command(), folder)
    process.start()
    assert process.port.is_symlink()
    assert process.end(how) == 0
    assert not process.port.is_symlink()
    assert not process.bench_path.exists()


def test_it_ends_with_its_input(folder: Path) -> None:
    """Whoever started it and dies takes it along."""
    process = BoardProcess(simulated_command(), folder)
    process.start()
    assert process.hang_up() == 0
    process.end()


def test_a_port_is_taken_over(folder: Path) -> None:
    """A link that a killed process left behind is replaced, and an older process leaves ours."""
    first = BoardProcess(simulated_command(), folder)
    first.start()
    was = os.readlink(first.port)
    second = BoardProcess(simulated_command(), folder)
    second.start()
    assert os.readlink(second.port) != was
    first.end()
    assert second.port.is_symlink()
    second.end()
    second.start()
    second.end(signal.SIGKILL)
    with running(second):
        wire = Wire(second.port)
        assert Console(wire).hello().board == "bench-1"
        wire.close()


def test_several_testers_see_the_same(folder: Path) -> None:
    """Two benches at once, one working the lamp's board, both told."""
    with running(BoardProcess(simulated_command(), folder)) as process:
        other = Bench(process.bench_path, "bench-1")
        assert other.pins().outputs == 0
        process.bench.cut()
        other.wait(lambda p: not p.powered)
        process.bench.wait(lambda p: not p.powered)
        other.power()
        process.bench.wait(lambda p: p.powered)
        other.close()
        assert process.bench.pins().powered


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ("", "empty"),
        ("set", "set "),
        ("set 17 1", "set "),
        ("set 1 2", "set "),
        ("set x 1", "invalid literal"),
        ("supply", "one number"),
        ("supply much", "invalid literal"),
        ("jump", "nothing is called 'jump'"),
    ],
)
def test_the_bench_explains_itself(folder: Path, command: str, says: str) -> None:
    """An error line for what cannot be, and the bench goes on."""
    with running(BoardProcess(simulated_command(), folder)) as process:
        with pytest.raises(AssertionError, match=says):
            process.bench.command(command)
        assert process.bench.pins().powered


def test_usage_errors_are_told(tmp_path: Path) -> None:
    """Exit code 2 and what is missing."""
    port = tmp_path / "p"
    assert "--id and --nv" in run("--port", port).stderr
    assert (
        "need a --shared line" in run("--port", port, "--board", "a:1:x", "--board", "b:2:y").stderr
    )
    done = run("--port", port, "--board", "a:0:x")
    assert done.returncode == 2
    assert "is not NAME:ADDRESS:NV" in done.stderr


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    """One line, exit code 1, no traceback."""
    done = run("--port", tmp_path / "none" / "p", "--id", "a", "--nv", tmp_path / "nv")
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1


def test_nothing_of_the_console_is_imported() -> None:
    """The drivers stand on their own ground."""
    text = "import sys, drivers.simulated.night; print([m for m in sys.modules if 'console' in m])"
    done = subprocess.run(
        [sys.executable, "-c", text], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
