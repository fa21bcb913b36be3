"""The console's own way to the stops, against a real socket."""

from __future__ import annotations

import shutil
import socket
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from console.screens.stopline import StopLine
from console.stopbar import LABEL, LABEL_COLUMNS, STOP_BYTE, on_label, stop_line


@pytest.fixture
def path() -> Iterator[Path]:
    """A path short enough for a socket."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    yield folder / "stop.sock"
    shutil.rmtree(folder)


def until(given: Callable[[], object], seconds: float = 5.0) -> None:
    """Wait for the thread."""
    end = time.monotonic() + seconds
    while not given():
        assert time.monotonic() < end
        time.sleep(0.002)


def listening(path: Path) -> socket.socket:
    """Where an engine would listen."""
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(str(path))
    server.listen()
    server.settimeout(5)
    return server


def test_a_press_sends_the_byte_first(path: Path) -> None:
    """The byte that stops, then who pressed what, as one line."""
    with listening(path) as server:
        line = StopLine(path)
        line.start()
        until(lambda: line.reached)
        link, _ = server.accept()
        line.press("key F9", "P. Marsh")
        link.settimeout(5)
        assert link.recv(4096) == stop_line("key F9", "P. Marsh")
        assert stop_line("key F9", "x")[:1] == STOP_BYTE == b"\x18"
        assert line.unanswered_s > 0
        link.send(b'{"stopping": 1}\n')
        until(lambda: line.unanswered_s == 0)
        line.close()
        link.close()


def test_a_press_without_an_engine_is_told_and_sent_when_it_comes(path: Path) -> None:
    """Not sent is said as long as it is so; the press is not lost."""
    line = StopLine(path)
    line.start()
    line.press("click", "")
    until(lambda: line.unsent)
    with listening(path) as server:
        link, _ = server.accept()
        link.settimeout(5)
        assert link.recv(4096) == stop_line("click", "")
        until(lambda: not line.unsent)
        line.close()
        link.close()


def test_the_line_is_made_again_when_the_engine_was(path: Path) -> None:
    """An engine that ends and comes back is reached again, and presses go to the new one."""
    line = StopLine(path)
    server = listening(path)
    line.start()
    first, _ = server.accept()
    first.close()
    server.close()
    path.unlink()
    until(lambda: not line.reached)
    with listening(path) as server:
        second, _ = server.accept()
        line.press("key Ctrl+X", "")
        second.settimeout(5)
        assert second.recv(4096).startswith(STOP_BYTE)
        line.close()
        second.close()


def test_a_press_takes_no_time(path: Path) -> None:
    """The event loop is not held up, whether somebody listens or not."""
    line = StopLine(path)
    line.start()
    before = time.monotonic()
    for _ in range(100):
        line.press("key F9", "")
    assert time.monotonic() - before < 0.1
    line.close()


@pytest.mark.parametrize(("column", "row", "hit"), [
    (0, 23, True), (LABEL_COLUMNS - 1, 23, True), (LABEL_COLUMNS, 23, False),
    (3, 22, False), (-1, 23, False),
])  # fmt: skip
def test_only_the_label_can_be_clicked(column: int, row: int, hit: bool) -> None:
    """The first columns of the bottom row, and nothing beside them."""
    assert on_label(column, row, 24) is hit
    assert len(LABEL) == LABEL_COLUMNS
