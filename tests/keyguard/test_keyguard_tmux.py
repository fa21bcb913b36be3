"""The key guard inside tmux: a second terminal program's idea of keys, sizes and screens."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.tools import tool

HERE = Path(__file__).parent

tool("tmux")


class Tmux:
    """A private tmux server with one window, in which a shell started the guard."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.socket, self.log = folder / "stop.sock", folder / "stops.log"
        self.engine = subprocess.Popen(
            [sys.executable, str(HERE / "stand_in.py"), str(self.socket), str(self.log), "confirm"]
        )
        self.until(self.socket.exists)
        self.run("-f", os.devnull, "new-session", "-d", "-x", "80", "-y", "24", "sh")
        guard = f"{sys.executable} -P -m console.keyguard --stop-socket {self.socket} --"
        self.type(f"{guard} {sys.executable} {HERE / 'inner.py'}; echo code=$?=", "Enter")
        self.until(lambda: "size 24 80" in self.screen())

    def run(self, *words: str) -> str:
        """One tmux command on the private server."""
        command = ["tmux", "-S", str(self.folder / "tmux.sock"), *words]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout

    def type(self, *keys: str) -> None:
        """Press keys by tmux's names for them."""
        self.run("send-keys", *keys)

    def screen(self) -> str:
        """What the window shows."""
        return self.run("capture-pane", "-p")

    def sources(self) -> list[str]:
        """The sources of the stops so far."""
        lines = self.log.read_text().splitlines() if self.log.exists() else []
        return [json.loads(json.loads(line)["line"][1:])["source"] for line in lines]

    def until(self, condition: Callable[[], bool]) -> None:
        """Wait for it."""
        ends = time.monotonic() + 20
        while not condition():
            assert time.monotonic() < ends, "waited in vain"
            time.sleep(0.02)

    def close(self) -> None:
        """End everything."""
        self.run("kill-server")
        self.engine.kill()
        self.engine.wait()


@pytest.fixture
def tmux(tmp_path: Path) -> Iterator[Tmux]:
    """The guard is up."""
    it = Tmux(tmp_path)
    yield it
    it.close()


def test_stop_keys_work_in_tmux(tmux: Tmux) -> None:
    """Both stop keys arrive as stops, and only they; a detour over Escape is none."""
    tmux.type("F9")
    tmux.until(lambda: tmux.sources() == ["key F9"])
    tmux.type("C-x")
    tmux.until(lambda: tmux.sources() == ["key F9", "key Ctrl+X"])
    tmux.type("Escape", "F8", "x", "F10")
    tmux.until(lambda: "1b5b32317e" in tmux.screen())
    assert len(tmux.sources()) == 2


def test_resize_and_return_in_tmux(tmux: Tmux) -> None:
    """The inner size follows the window, and at the end the shell has its screen and modes back."""
    tmux.run("resize-window", "-x", "60", "-y", "15")
    tmux.until(lambda: "size 15 60" in tmux.screen())
    tmux.type("a")
    tmux.until(lambda: tmux.run("display-message", "-p", "#{alternate_on}") == "1\n")
    tmux.type("k")
    tmux.until(lambda: "size 15 60" in tmux.screen().partition("It starts again")[2])
    tmux.type("q")
    tmux.until(lambda: "code=0=" in tmux.screen())
    modes = tmux.run("display-message", "-p", "#{alternate_on} #{mouse_any_flag} #{cursor_flag}")
    assert modes == "0 0 1\n"
    tmux.type("echo typed$((40+2))", "Enter")
    tmux.until(lambda: "typed42" in tmux.screen())
