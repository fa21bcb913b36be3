"""The tour of the keys in the demo, in a terminal of 80 by 24, from its offer to its end."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time

from console.places import data_dir
from console.screens.tour_memory import FILE
from console.screens.tour_steps import SIMULATED, TYPED
from console.stopbar import LABEL
from tests.e2e import test_keys_in_tmux as keys
from tests.e2e.test_keys_in_tmux import Seat

pytestmark = keys.pytestmark
seat = keys.seat

NAMES = {"down": "Down", "escape": "Escape", "enter": "Enter", "f9": "F9"}
"""Keys by tmux's names for them."""
STEP = re.compile(r"Tour +(\d+) of (\d+)")


def step(seat: Seat) -> int:
    """Which step is on the screen; 0 for none."""
    found = STEP.search(seat.screen())
    return int(found[1]) if found else 0


def tmux(seat: Seat, *words: str) -> str:
    """One tmux command for another terminal beside the seat's own."""
    command = [str(keys.TMUX), "-L", f"sx-{seat.folder.name}", *words]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def given() -> list[str]:
    """The test's own places, for a new terminal."""
    names = ("SEXTON_RUNTIME", "SEXTON_DATA", "TMPDIR")
    return [word for n in names for word in ("-e", f"{n}={os.environ[n]}")]


def second(seat: Seat) -> str:
    """What stands on the second terminal."""
    return tmux(seat, "capture-pane", "-p", "-t", "again")


def test_the_tour_by_keys_alone(seat: Seat) -> None:
    """Offered once, every step done by what it says, the demo stopped and cleared, remembered."""
    seat.until(lambda: "New here? F3" in seat.screen(), "the offer")
    assert not (data_dir() / FILE).exists()
    began = time.monotonic()
    seat.press("F3")
    for number, asked in enumerate(SIMULATED, 1):
        seat.until(lambda number=number: step(seat) == number, f"step {number}")
        for _ in range(20):
            rows = seat.screen().splitlines()
            assert rows[-1].startswith(LABEL.rstrip()), rows[-1]
            assert "DEMO" in rows[0]
            for key in asked.keys:
                if key == TYPED:
                    seat.press(*"look")
                else:
                    seat.press(NAMES.get(key, key))
            ends = time.monotonic() + 3
            while step(seat) == number and time.monotonic() < ends:
                time.sleep(0.1)
            # Guests trip the props of the demo too: one that runs or rests refuses a fire.
            if step(seat) != number:
                break
    seat.until(lambda: "That was the tour" in seat.screen(), "the end")
    took_s = time.monotonic() - began
    print(f"{seat.keys} keys, {took_s:.0f} s")
    assert took_s < 120
    assert not seat.stop().latched
    assert (data_dir() / FILE).read_text() == "taken\n"

    seat.press("F4")
    seat.until(lambda: "tour" not in seat.screen(), "nothing left of it")
    again = f"{sys.executable} -P -m console.cli attach"
    tmux(seat, "new-session", "-d", "-s", "again", "-x", "80", "-y", "24", *given(), again)
    seat.until(
        lambda: "DEMO" in second(seat) and LABEL.rstrip() in second(seat), "a second console"
    )
    time.sleep(1)
    assert "New here?" not in second(seat)
    tmux(seat, "send-keys", "-t", "again", "F3")
    seat.until(lambda: "Tour 1 of" in second(seat), "taken again")
    tmux(seat, "send-keys", "-t", "again", "F4")
    seat.until(lambda: "Tour" not in second(seat), "left")
    seat.until(lambda: (data_dir() / FILE).read_text() == "skipped\n", "remembered")
