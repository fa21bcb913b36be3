"""The host board as a process, built with the sanitizers: pseudo-terminal, bench, memory file."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.firmware import build
from drivers.messages import Arm, Boot, CycleRecord, Fire, Lamp
from tests.boards import BoardProcess, Console, Wire, running, until
from tests.conformance.stage import EVERY, SHORT, armed, prepare
from tests.tools import tool

tool(os.environ.get("CC", "cc"))


@pytest.fixture
def board(folder: Path) -> Iterator[BoardProcess]:
    """A sanitized host board on a line of its own."""
    command = [os.fspath(build.host_board(sanitize=True))]
    with running(BoardProcess(command, folder)) as process:
        yield process


def _opened(board: BoardProcess, session: int = 0x5E21AA07) -> Console:
    console = Console(Wire(board.port))
    console.open(session)
    return console


def test_cycle_ends_up_in_the_memory_file(board: BoardProcess) -> None:
    """A cycle is switched at the pins, and its record survives the process."""
    console = _opened(board)
    armed(console)
    mark = board.bench.mark()
    console.yes(Fire, 1)
    board.bench.wait(lambda p: p.outputs == 3, since=mark)
    board.bench.wait(lambda p: p.outputs == 0, since=board.bench.mark())
    until(lambda: console.wire.look(0.1) or _cycles(console), 3, "the record")
    (cycle,) = {c.number: c for c in _cycles(console)}.values()
    console.wire.close()
    assert board.end() == 0
    board.start()
    console = _opened(board)
    until(lambda: console.wire.look(0.1) or _cycles(console), 3, "the record, again")
    assert _cycles(console)[0] == cycle
    console.wire.close()


def _cycles(console: Console) -> list[CycleRecord]:
    return [m for m in console.heard() if isinstance(m, CycleRecord)]


def test_reset_cut_and_power(board: BoardProcess) -> None:
    """Reset gives a new boot; without power it is silent with its outputs off."""
    console = _opened(board)
    first = console.boot
    armed(console)
    console.yes(Lamp, 1)
    console.yes(Fire, 1)
    board.bench.outputs(1)
    board.bench.reset()
    assert board.bench.pins().outputs == 0
    assert not board.bench.pins().lamp
    until(lambda: console.wire.look(0.1) or _boots(console), 3, "the boot report")
    assert _boots(console)[-1].cause == "button"
    assert console.hello().boot == first + 1
    board.bench.cut()
    assert not board.bench.pins().powered
    console.wire.stop_byte()
    assert console.wire.quiet(0.3) == []
    board.bench.power()
    until(lambda: console.wire.look(0.1) or len(_boots(console)) > 1, 3, "the boot report")
    assert _boots(console)[-1].cause == "power"
    assert console.hello().stop == 0
    console.wire.close()


def _boots(console: Console) -> list[Boot]:
    return [m for m in console.heard() if isinstance(m, Boot)]


def test_words_said_while_nobody_listens_are_gone(board: BoardProcess) -> None:
    """A port that is opened later does not bring up old reports."""
    console = _opened(board)
    prepare(console)
    console.yes(Arm, 1, EVERY)
    console.wire.close()
    board.bench.cut()
    board.bench.power()
    wire = Wire(board.port)
    heard = wire.quiet(0.3)
    assert heard == []
    assert wire.stray == []
    wire.close()


def test_opening_the_port_again_and_again_loses_no_record(board: BoardProcess) -> None:
    """Records wait for whoever opens the port next."""
    console = _opened(board)
    armed(console, heartbeat=60000)
    for _ in range(3):
        mark = board.bench.mark()
        console.yes(Fire, 1)
        board.bench.wait(lambda p: p.outputs == 2, since=mark)
        console.wire.quiet((SHORT.length + 300) / 1000)
        console.wire.close()
        console.wire = Wire(board.port)
    until(lambda: console.wire.look(0.1) or _cycles(console), 3, "a record")
    assert _cycles(console)[0].number == 1
    console.wire.close()


def test_boards_on_a_shared_line_answer_only_for_themselves(folder: Path) -> None:
    """Two boards behind one port each answer to their own address, and speak only when asked."""
    command = [os.fspath(build.host_board(sanitize=True))]
    process = BoardProcess(command, folder, (("left", 1), ("right", 2)), shared=True)
    with running(process):
        wire = Wire(process.port)
        assert wire.quiet(0.3) == []
        assert [Console(wire, a).hello().board for a in (1, 2)] == ["left", "right"]
        wire.close()


def test_it_ends_on_signals_and_on_the_end_of_its_input(board: BoardProcess) -> None:
    """SIGTERM, SIGINT and a closed standard input end it with code 0, the port's link gone."""
    for how in (signal.SIGTERM, signal.SIGINT):
        assert board.end(how) == 0
        assert not os.path.lexists(board.port)
        board.start()
    assert board.hang_up() == 0


@pytest.mark.parametrize(
    "arguments",
    [[], ["--port"], ["--port", "/nowhere/x", "--nv", "/nowhere/y", "--id", "a"], ["--what", "1"],
     ["--port", "p", "--board", "nonsense"], ["--port", "p", "--nv", "n", "--id", "x" * 13]],
)  # fmt: skip
def test_a_wrong_command_line_is_said_in_one_line(arguments: list[str], folder: Path) -> None:
    """Mistakes end it with code 2 and a line that says what is wrong."""
    done = subprocess.run(
        [build.host_board(sanitize=True), *arguments],
        capture_output=True, text=True, cwd=folder, stdin=subprocess.DEVNULL, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("host board: ")
    assert done.stderr.count("\n") == 1


def test_no_compiler_is_a_clear_error(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """Where nothing can be built, the error says what is needed."""
    monkeypatch.setenv("XDG_CACHE_HOME", os.fspath(folder))
    monkeypatch.setenv("CC", "no-such-compiler")
    with pytest.raises(build.NoCompiler, match="no-such-compiler"):
        build.host_board()


SOAK = """
import random, sys
from pathlib import Path
from drivers.firmware.library import VirtualBoard
from drivers.framing import encode
from drivers.messages import REQUESTS
rng = random.Random(7)
words = ["0", "1", "2", "3", "17", "65536", "5E21AA07", "FFFF", "0007", "cycle", "motion", "low",
         "off", "sensor", "10:1+", "20:1-", "300"]
board = VirtualBoard("soak", library=Path(sys.argv[1]))
board.start(0)
for at in range(1, 20000):
    verb = rng.choice(REQUESTS).verb
    frame = bytearray(encode(1, (verb, str(at), *rng.choices(words, k=rng.randrange(9)))))
    if rng.random() < 0.2:
        frame[rng.randrange(len(frame))] = rng.randrange(256)
    board.step(at * 5000, bytes(frame))
    if rng.random() < 0.01:
        board.reset(at * 5000)
    board.set_input(rng.randrange(17), rng.randrange(2))
print("soaked")
"""


def test_library_holds_under_the_sanitizers(folder: Path) -> None:
    """Twenty thousand odd and damaged requests raise no address or undefined-behaviour error."""
    runtime = subprocess.run(
        ["cc", "-print-file-name=libasan.so"], capture_output=True, text=True, check=True
    ).stdout.strip()
    if not os.path.isabs(runtime):
        pytest.skip("this compiler has no shared address sanitizer")
    library = build.shared_library(sanitize=True)
    done = subprocess.run(
        [sys.executable, "-c", SOAK, os.fspath(library)],
        env={**os.environ, "LD_PRELOAD": runtime, "ASAN_OPTIONS": "detect_leaks=0"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout == "soaked\n", done.stderr[-3000:]
