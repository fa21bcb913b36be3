"""Every check of the project, in one go: `python -m tests`. What CI calls, too.

All of them run even when one fails, so that one look shows everything; the exit code is 1 then.
Tests that meet real processes in real time run side by side here; what fails among the others is
run once more, alone, and must pass then.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PYTHON = sys.executable

STEPS: tuple[tuple[str, list[str]], ...] = (
    ("lint", [PYTHON, "-m", "ruff", "check", "."]),
    ("format", [PYTHON, "-m", "ruff", "format", "--check", "."]),
    ("types", [PYTHON, "-m", "mypy"]),
    ("floors", [str(Path(PYTHON).with_name("lint-imports"))]),
    ("tests", [PYTHON, "-m", "pytest", "-q", "-n", "auto", "--dist", "worksteal"]),
    ("stop benchmark", [PYTHON, str(ROOT / "tests" / "bench" / "bench_stop.py"), "--short"]),
)


_SOME_FAILED = 1
"""pytest's exit code for tests that failed; any other trouble is not worth a second look."""


def _run(name: str, command: list[str]) -> int:
    print(f"\n== {name}: {' '.join(command[1:])}", flush=True)
    return subprocess.run(command, cwd=ROOT, check=False).returncode


def main() -> int:
    """Run the steps in order and say how each went."""
    outcomes = []
    for name, command in STEPS:
        began = time.monotonic()
        code = _run(name, command)
        if name == "tests" and code == _SOME_FAILED:
            code = _run("again, alone", [PYTHON, "-m", "pytest", "-q", "--last-failed"])
        outcomes.append((name, code, time.monotonic() - began))
    print()
    for name, code, took_s in outcomes:
        print(f"{name:15} {'ok' if code == 0 else f'FAILED ({code})':12} {took_s:6.1f} s")
    return 1 if any(code for _, code, _ in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
