"""One suite for every kind of board: add a kind in `tests/boards.py` and it is tested here."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.boards import KINDS, BoardProcess, Console, Wire, running


@pytest.fixture(params=list(KINDS))
def kind(request: pytest.FixtureRequest) -> str:
    """The kind of board under test."""
    return str(request.param)


def short_folder() -> Path:
    """A folder with a path short enough for sockets."""
    return Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder of the test's own."""
    made = short_folder()
    yield made
    shutil.rmtree(made)


@pytest.fixture(scope="session")
def spares() -> Iterator[dict[str, BoardProcess]]:
    """A board of each kind that comes up while the test before it runs."""
    waiting: dict[str, BoardProcess] = {}
    yield waiting
    for process in waiting.values():
        process.end()
        shutil.rmtree(process.folder)


@pytest.fixture
def board(kind: str, spares: dict[str, BoardProcess]) -> Iterator[BoardProcess]:
    """A board with blank memory, alone on its line, powered."""

    def another() -> BoardProcess:
        process = BoardProcess(KINDS[kind](), short_folder())
        process.launch()
        return process

    process = spares.pop(kind, None) or another()
    with running(process):
        spares[kind] = another()
        yield process
    shutil.rmtree(process.folder)


@pytest.fixture
def wire(board: BoardProcess) -> Iterator[Wire]:
    """The board's line, opened."""
    opened = Wire(board.port)
    yield opened
    opened.close()


@pytest.fixture
def console(wire: Wire) -> Console:
    """The board's session, open."""
    made = Console(wire)
    made.open(0x5E21AA07)
    return made
