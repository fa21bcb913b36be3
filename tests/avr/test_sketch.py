"""The folder that `sexton firmware export` writes: compiled as the IDE does, run, refused."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path

import pytest

from console.cli import main
from drivers.firmware import build, export
from tests.avr.traced import MHZ, stop_cycles, traced
from tests.tools import missing, tool

API = Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")


def _compiled(folder: Path) -> Path:
    tool("avr-g++")
    if not API.exists():
        missing("needs the core API for AVR")
    sketch = export.write(folder / "ghoul", export.Settings(board="ghoul"))
    done = subprocess.run(
        ["make", "-s", "-C", os.fspath(build.SOURCES), "sketch", f"SKETCH={sketch.parent}",
         f"OUT={folder / 'out'}"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    return folder / "out" / "sketch.elf"


def test_exported_folder_compiles_and_stops_in_time(tmp_path: Path) -> None:
    """Without a warning of ours; run as it is, it stops eight outputs within 5 ms of the byte."""
    elf = _compiled(tmp_path)
    with traced(elf=elf) as part:
        rng = random.Random(3)
        worst = max(stop_cycles(part, s, rng) for s in ("cycle", "eeprom", "upload"))
    assert worst < 5000 * MHZ


def test_settings_are_where_the_builder_looks(tmp_path: Path) -> None:
    """Name, address, line and pins stand in the short settings file."""
    settings = export.Settings("ghoul", 7, True, "atmega328p", ("5", "6"), ("A1",))
    text = (export.write(tmp_path / "ghoul", settings).parent / "settings.h").read_text()
    for line in (
        '#define SX_BOARD_ID "ghoul"', "#define SX_ADDRESS 7", "#define SX_SHARED_LINE 1",
        "#define SX_OUTPUT_PINS {5, 6}", "#define SX_INPUT_PINS {A1}", "#define SX_DIRECTION_PIN 3",
    ):  # fmt: skip
        assert line in text


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--outputs", "4,13"], "pin 13 must not switch an output: the bootloader blinks it"),
        (["--outputs", "1"], "it carries the serial line"),
        (["--part", "esp32", "--outputs", "12"], "while it boots"),
        (["--outputs", "4,4"], "pin 4 is taken by output 1"),
        (["--outputs", "2"], "pin 2 is taken by the stop input"),
        (["--outputs", "x"], "'x' is no pin"),
        (["--outputs", "4,5,6,7,8,9,10,11,12"], "9 outputs are more than 8"),
        (["--id", "a ghoul"], "cannot be a board's name"),
        (["--address", "0"], "0 is no address"),
        (["--part", "z80"], "no part is called 'z80'"),
    ],
)
def test_unsafe_settings_are_refused(
    options: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, one message and what to do instead; nothing is written."""
    assert main(["firmware", "export", os.fspath(tmp_path / "ghoul"), *options]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 2
    assert not (tmp_path / "ghoul").exists()


def test_a_folder_in_use_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A second export into the same folder is refused; so is a name that the IDE does not take."""
    assert main(["firmware", "export", os.fspath(tmp_path / "ghoul")]) == 0
    assert "ghoul.ino" in capsys.readouterr().out
    assert main(["firmware", "export", os.fspath(tmp_path / "ghoul")]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert main(["firmware", "export", os.fspath(tmp_path / "my ghoul")]) == 2
    assert "my_ghoul" in capsys.readouterr().err
