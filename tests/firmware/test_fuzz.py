"""The fuzzers, briefly, from a kept corpus: line, pins, time and memory under the sanitizers."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from drivers.firmware import build
from tests.tools import tool

CORPUS = Path(__file__).parent / "corpus"


@pytest.mark.parametrize(("target", "runs"), [("line", 4000), ("memory", 4000)])
def test_nothing_crashes_and_nothing_goes_on_unasked(
    target: str, runs: int, tmp_path: Path
) -> None:
    """No sanitizer error, and no output on without an arm, test or hold that was granted."""
    tool("clang")
    made = subprocess.run(
        ["make", "-s", "-C", os.fspath(build.SOURCES), f"OUT={tmp_path}",
         os.fspath(tmp_path / f"fuzz_{target}")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr[-2000:]
    work = tmp_path / "corpus"
    shutil.copytree(CORPUS / target, work)
    done = subprocess.run(
        [tmp_path / f"fuzz_{target}", f"-runs={runs}", "-seed=1", "-max_len=400", work],
        capture_output=True, text=True, cwd=tmp_path, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
