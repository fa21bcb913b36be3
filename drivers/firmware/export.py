"""Writes the firmware as a folder for the desktop IDE: sketch, settings, core, wiring."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

SOURCES = Path(__file__).resolve().parent


class BadSettings(ValueError):
    """Settings that would make no safe board. `hint` says what to do."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Part:
    """What is known of a microcontroller's pins.

    `pulsing` are driven by the part, its boot code or a bootloader before our first instruction, or
    carry the serial line; outputs must not be there.
    """

    pulsing: dict[str, str]
    outputs: tuple[str, ...]
    inputs: tuple[str, ...]
    most_outputs: int
    most_inputs: int
    stop: str
    lamp: str
    direction: str
    full_scale_mv: int


_SERIAL = "it carries the serial line"
_STRAP = "the part samples or drives it while it boots"
_FLASH = "the part's flash memory hangs on it"

PARTS: dict[str, Part] = {
    "atmega328p": Part(
        pulsing={"0": _SERIAL, "1": _SERIAL, "13": "the bootloader blinks it"},
        outputs=("4", "5", "6", "7", "8", "9", "10", "11"),
        inputs=("A0", "A1", "A2", "A3", "A4", "A5"),
        most_outputs=8, most_inputs=6, stop="2", lamp="13", direction="3", full_scale_mv=5000,
    ),
    "esp32": Part(
        pulsing={
            **dict.fromkeys(("1", "3"), _SERIAL),
            **dict.fromkeys(("0", "2", "5", "12", "14", "15"), _STRAP),
            **dict.fromkeys(("6", "7", "8", "9", "10", "11"), _FLASH),
        },
        outputs=("16", "17", "18", "19", "21", "22", "23", "25"),
        inputs=("26", "27", "32", "33"),
        most_outputs=16, most_inputs=16, stop="13", lamp="2", direction="4", full_scale_mv=3300,
    ),
    "rp2040": Part(
        pulsing={"0": _SERIAL, "1": _SERIAL},
        outputs=("2", "3", "4", "5", "6", "7", "8", "9"),
        inputs=("14", "15", "16", "17", "18", "19"),
        most_outputs=16, most_inputs=16, stop="20", lamp="25", direction="10", full_scale_mv=3300,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Settings:
    """What differs from board to board. Empty pins mean the part's usual ones."""

    board: str = "board-1"
    address: int = 1
    shared: bool = False
    part: str = "atmega328p"
    outputs: tuple[str, ...] = ()
    inputs: tuple[str, ...] = ()


def write(folder: Path, settings: Settings) -> Path:
    """Writes the folder; the sketch's path, whose name is the folder's as the IDE wants it.

    Raises BadSettings, also for a folder that holds something already, and OSError.
    """
    part = _checked(settings)
    name = re.sub(r"[^A-Za-z0-9_]", "_", folder.resolve().name) or "sketch"
    if name != folder.resolve().name:
        raise BadSettings(
            f"the IDE does not take {folder.resolve().name!r} as a folder's name",
            f"use letters, digits and _, as {name!r}",
        )
    if folder.exists() and any(folder.iterdir()):
        raise BadSettings(f"{folder} is not empty", "give a new folder")
    core = folder / "src" / "core"
    core.mkdir(parents=True)
    for source in sorted((SOURCES / "core").glob("*.[ch]")):
        shutil.copyfile(source, core / source.name)
    for extra in ("README.md", "wiring.svg"):
        shutil.copyfile(SOURCES / extra, folder / extra)
    text = _filled((SOURCES / "sketch" / "settings.h").read_text("ascii"), settings, part)
    (folder / "settings.h").write_text(text, "ascii")
    sketch = folder / f"{name}.ino"
    shutil.copyfile(SOURCES / "sketch" / "sketch.ino", sketch)
    return sketch


def _checked(settings: Settings) -> Part:
    part = PARTS.get(settings.part)
    if part is None:
        raise BadSettings(f"no part is called {settings.part!r}", f"one of {', '.join(PARTS)}")
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,12}", settings.board):
        raise BadSettings(
            f"{settings.board!r} cannot be a board's name", "use 1 to 12 of A-Z a-z 0-9 _ -"
        )
    if not 1 <= settings.address <= 255:
        raise BadSettings(f"{settings.address} is no address", "use 1 to 255")
    taken = {part.stop: "the stop input", part.lamp: "the alarm light"}
    taken[part.direction] = "the RS-485 driver enable"
    for kind, pins, most in (
        ("output", settings.outputs or part.outputs, part.most_outputs),
        ("input", settings.inputs or part.inputs, part.most_inputs),
    ):
        if len(pins) > most:
            raise BadSettings(f"{len(pins)} {kind}s are more than {most}", "use a further board")
        for pin in pins:
            if not re.fullmatch(r"A?\d{1,2}", pin):
                raise BadSettings(f"{pin!r} is no pin", "write numbers or A0 to A7, as 4,5,6")
            if kind == "output" and pin in part.pulsing:
                raise BadSettings(
                    f"pin {pin} must not switch an output: {part.pulsing[pin]}",
                    f"for example {','.join(part.outputs)}",
                )
            if pin in taken:
                raise BadSettings(f"pin {pin} is taken by {taken[pin]}", "use another one")
            taken[pin] = f"{kind} {pins.index(pin) + 1}"
    return part


def _filled(text: str, settings: Settings, part: Part) -> str:
    values = {
        "SX_BOARD_ID": f'"{settings.board}"',
        "SX_ADDRESS": str(settings.address),
        "SX_SHARED_LINE": str(int(settings.shared)),
        "SX_OUTPUT_PINS": "{" + ", ".join(settings.outputs or part.outputs) + "}",
        "SX_INPUT_PINS": "{" + ", ".join(settings.inputs or part.inputs) + "}",
        "SX_STOP_PIN": part.stop,
        "SX_DIRECTION_PIN": part.direction if settings.shared else "-1",
        "SX_LAMP_PIN": part.lamp,
        "SX_FULL_SCALE_MV": str(part.full_scale_mv),
    }
    for name, value in values.items():
        text, found = re.subn(rf"(?m)^#define {name} .*$", f"#define {name} {value}", text)
        assert found == 1, name
    return text
