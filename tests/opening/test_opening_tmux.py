"""A site brought up and closed in a real terminal by keys alone, at 80x24, with a real engine."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.boards import ROOT, simulated_command
from tests.engine.real import RealSite
from tests.opening import opening_sites
from tests.tools import tool

tool("tmux")


class Desk:
    """A terminal in which `sexton attach` runs; every key is counted."""

    def __init__(self, folder: Path) -> None:
        self.socket = folder / "tmux.sock"
        self.site = RealSite(folder, simulated_command(), 1)
        opening_sites.write(folder, 1)
        self.site.start_boards()
        self.site.start_engine()
        self.site.until_live()
        self.keys = 0
        self.run("-f", os.devnull, "new-session", "-d", "-x", "80", "-y", "24", "sh")
        command = f"cd {ROOT} && {sys.executable} -m console.cli attach {self.site.site}"
        self.run("send-keys", command, "Enter")
        self.sees("Prop 1")

    def run(self, *words: str) -> str:
        """One tmux command on a private server."""
        command = ["tmux", "-S", str(self.socket), *words]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout

    def screen(self) -> str:
        """What the terminal shows."""
        return self.run("capture-pane", "-p")

    def until(self, holds: Callable[[], object], what: str) -> None:
        """Wait for it."""
        ends = time.monotonic() + 20
        while not holds():
            assert time.monotonic() < ends, f"{what} not seen in:\n{self.screen()}"
            time.sleep(0.05)

    def sees(self, words: str) -> None:
        """Wait until these stand on the screen."""
        self.until(lambda: words in self.screen(), words)

    def press(self, *keys: str, then: str = "") -> None:
        """Press keys by tmux's names for them, and wait for what they bring."""
        for key in keys:
            self.keys += 1
            self.run("send-keys", key)
            time.sleep(0.1)
        if then:
            self.sees(then)

    def write(self, text: str) -> None:
        """Type a text; it counts for no key."""
        time.sleep(0.5)  # the cursor reaches its line just after the dialog is drawn
        self.run("send-keys", "-l", text)
        self.sees(text)

    def done(self, item: str) -> bool:
        """Whether the engine has it as done."""
        return any(i["item"] == item and i["done"] for i in self.site.view("opening")["items"])

    def counted(self) -> int:
        """Keys since the last count."""
        keys, self.keys = self.keys, 0
        return keys

    def close(self) -> None:
        """End everything."""
        self.run("kill-server")
        self.site.close()


@pytest.fixture
def desk() -> Iterator[Desk]:
    """Somebody sits down at it."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    it = Desk(folder)
    yield it
    it.close()
    shutil.rmtree(folder)


def test_a_site_is_brought_up_and_closed_by_keys_alone(desk: Desk) -> None:
    """Open the night, walk the check, open up, close up: the screen leads, the engine agrees."""
    desk.press("o", then="Open the night")
    desk.press("Enter", then="night 1")
    assert desk.counted() == 2, "the night is opened"
    desk.press("9", then="Opening check")
    desk.until(lambda: desk.done("matches"), "judged by itself")
    assert desk.counted() == 1, "the check is open, at its next item"

    desk.press("n", "Enter", then="It reads")
    desk.write("95")
    desk.press("Enter")
    desk.until(lambda: desk.done("air"), "pressure")
    assert desk.counted() == 3, "a gauge is read"

    desk.press("L", then="Gauge at first")
    for figure in ("100", "95", "10"):
        desk.write(figure)
        desk.press("Enter")
    desk.press("Enter")
    desk.until(lambda: desk.done("leak-test"), "leak test")
    desk.counted()

    desk.press("n", "Enter", then="Somebody must be watching it")
    desk.press("1", then="nobody within reach")
    desk.press("Enter", then="1 test")
    desk.press("Enter", then="says that it holds")
    desk.press("Enter")
    desk.until(lambda: desk.done("tested"), "test-fired")
    assert desk.counted() == 6, "a prop is tested and said to be watched"
    desk.press("n", "Enter", then="It reads")
    desk.write("61 psi")
    desk.press("Enter")
    desk.until(lambda: desk.done("gauge"), "gauge")
    desk.counted()

    desk.site.bench("board-1").set(0, 0)
    desk.sees("still pressed")
    desk.site.bench("board-1").set(0, 1)
    desk.press("F9")
    desk.until(lambda: desk.done("stop-key") and desk.done("all-stop"), "stops")
    desk.until(lambda: desk.done("stop-input"), "hardwired stop")
    desk.press("c", then="first step")
    desk.write("opening check")
    desk.press("Enter", then="second step")
    desk.press("Enter")
    desk.until(lambda: not desk.site.view("stop")["latched"], "the stop is cleared")
    desk.counted()

    for item in ("exit-1", "chore-1"):
        desk.press("n", "Enter", then="says that it holds")
        desk.press("Enter")
        desk.until(lambda item=item: desk.done(item), item)
    assert desk.counted() == 6, "two chores are ticked off"
    desk.sees("All done. A opens up.")
    desk.press("A", then="Open up: arm 1 prop?")
    desk.press("Enter")
    desk.site.until_all("armed")
    assert desk.counted() == 2, "the site is open"

    desk.press("X", then="is the last guest out?")
    desk.press("Enter", then="Closing up 0 of 4")
    desk.site.until_all("disarmed")
    assert desk.counted() == 2, "the site is closed"
    for item in ("park", "bleed", "drain", "closing-1"):
        desk.press("n", "Enter", then="says that it holds")
        desk.press("Enter")
        desk.until(lambda item=item: desk.done(item), item)
    desk.sees("sexton report")
    desk.press("O", then="Close the night")
    desk.press("Enter", then="No night is open")
