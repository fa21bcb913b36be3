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


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder with a path short enough for sockets."""
    made = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    yield made
    shutil.rmtree(made)


@pytest.fixture
def board(kind: str, folder: Path) -> Iterator[BoardProcess]:
    """A board with blank memory, alone on its line, powered."""
    with running(BoardProcess(KINDS[kind](), folder)) as process:
        yield process


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
