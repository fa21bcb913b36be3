"""What a missing tool does to the tests: skipped with the reason, a failure under CI."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ASKED = {
    "tests/avr/test_part.py::test_it_is_small": "needs avr-gcc and avr-libc",
    "tests/avr/test_sketch.py::test_exported_folder_compiles_and_stops_in_time": "needs avr-g++",
    "tests/conformance/test_hello.py::test_the_hello_names_the_board[avr]": (
        "needs avr-gcc and avr-libc"
    ),
    "tests/conformance/test_hello.py::test_the_hello_names_the_board[firmware]": (
        "needs a C compiler"
    ),
    "tests/firmware/test_fuzz.py": "needs clang",
    "tests/keyguard/test_keyguard_tmux.py": "needs tmux",
    "tests/reports/test_report_browser.py": "needs chromium",
    "tests/firmware/test_host_board.py": "needs cc",
}
"""Tests, and the words in which each must say what it lacks."""


def _run(folder: Path, ci: str) -> tuple[int, str]:
    empty = folder / "bin"
    empty.mkdir()
    given = {k: v for k, v in os.environ.items() if k not in ("CI", "CC")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist",
         "--continue-on-collection-errors", *ASKED],
        env={**given, "PATH": os.fspath(empty), "XDG_CACHE_HOME": os.fspath(folder), "CI": ci},
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


@pytest.mark.parametrize("ci", ["", "true"])
def test_without_tools(ci: str, tmp_path: Path) -> None:
    """On a path without any program nothing passes: all is skipped, or, under CI, all fails."""
    code, said = _run(tmp_path, ci)
    assert " passed" not in said, said
    for reason in ASKED.values():
        assert reason in said, said
    if ci:
        assert code == 1, said
        assert " skipped" not in said
        assert said.count("CI installs what is missing here") >= len(ASKED)
    else:
        assert code == 0, said
        assert " failed" not in said
        assert " error" not in said
