"""The one command that runs every check is the one that the README shows and CI calls."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_ci_calls_the_test_command_of_the_readme() -> None:
    """The line that `.ci/run` takes out of the README runs `python -m tests`."""
    script = (ROOT / ".ci" / "run").read_text()
    [extract] = re.findall(r"^command=\$\((.*)\)$", script, re.MULTILINE)
    found = subprocess.run(
        ["bash", "-c", extract], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert found.count("\n") == 1
    assert found.strip().endswith("-m tests")
    assert "[dev]" in found
