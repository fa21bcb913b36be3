"""Every check of the project, in one go: `python -m tests`. What CI calls, too.

All of them run even when one fails, so that one look shows everything; the exit code is 1 then.
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


def main() -> int:
    """Run the steps in order and say how each went."""
    outcomes = []
    for name, command in STEPS:
        print(f"\n== {name}: {' '.join(command[1:])}", flush=True)
        began = time.monotonic()
        code = subprocess.run(command, cwd=ROOT, check=False).returncode
        outcomes.append((name, code, time.monotonic() - began))
    print()
    for name, code, took_s in outcomes:
        print(f"{name:15} {'ok' if code == 0 else f'FAILED ({code})':12} {took_s:6.1f} s")
    return 1 if any(code for _, code, _ in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
