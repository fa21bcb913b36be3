"""Draws every screen of the console at two sizes into `.pictures/`, for the README and for eyes.

    python -m tests.pictures [NAME...]

The night in them is invented (`tests/screens/screens_scene.py`); the screens are the real ones.
"""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path

from console.screens.tour import Stage
from tests.screens.screens_scene import entities, latched, scene

FOLDER = Path(__file__).parent.parent / ".pictures"
SIZES = ((80, 24), (120, 40))

PICTURES: dict[str, tuple[str, bool]] = {
    "floor": ("down down", False),
    "floor-zone": ("down down z", False),
    "prop": ("down down enter", False),
    "stop": ("2", True),
    "stopped-floor": ("", True),
    "clear": ("c", True),
    "alarms": ("3", False),
    "ledger": ("4", False),
    "upkeep": ("5", False),
    "part": ("5 down enter", False),
    "season": ("8", False),
    "walk": ("6", False),
    "air": ("7", False),
    "opening": ("9", False),
    "opening-all": ("9 e", False),
    "check": ("9 C", False),
    "group": ("g", False),
    "fire": ("f", False),
    "switch": ("s", False),
    "why": ("end up w", False),
    "help": ("question_mark", False),
    "keys": ("f2", False),
    "commands": ("ctrl+p", False),
    "tour-offer": ("", False),
    "tour": ("f3 f3", False),
    "tour-why": ("f3 f3 f3 end up w", False),
    "tour-note": ("f3 f3 f3 f3 f3 f3 f3 f3 i 1", False),
    "tour-stop": ("f3 f3 f3 f3 f3 f3 f3 f3 f3", False),
}
"""The keys that lead to each picture, and whether an all-stop is latched in it."""


async def draw(name: str, size: tuple[int, int]) -> Path:
    """One picture; where it was written."""
    keys, stopped = PICTURES[name]
    play = scene(latched() if stopped else entities())
    play.desk.tour.stage = Stage.OFFERED if name == "tour-offer" else Stage.OFF
    async with play.console.run_test(size=size) as pilot:
        await pilot.pause(0.3)
        for key in keys.split():
            await pilot.press(key)
            await pilot.pause(0.1)
        await pilot.pause(0.5)
        drawn = play.console.export_screenshot(title=f"sexton, {name}")
    # The fonts of the picture come from the viewer's own machine, not from somebody's server.
    drawn = re.sub(r"@font-face \{.*?\}\s*", "", drawn, flags=re.DOTALL)
    # No window of any system's making stands around it.
    drawn = re.sub(r"<circle .*?/>", "", drawn)
    # What changes with every run would make every commit touch every picture.
    drawn = re.sub(r"terminal-\d+-", "terminal-", drawn)
    path = FOLDER / f"{name}-{size[0]}x{size[1]}.svg"
    path.write_text(drawn, encoding="utf-8")
    return path


async def main(names: list[str]) -> None:
    """Draw the named pictures, or all."""
    FOLDER.mkdir(exist_ok=True)
    for name in names or PICTURES:
        for size in SIZES:
            print(await draw(name, size))


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1:]))
