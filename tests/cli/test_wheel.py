"""The wheel alone runs the demo: built here, installed into an environment with nothing else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.timeout(400)
def test_a_wheel_in_a_bare_environment_runs_the_demo(tmp_path: Path) -> None:
    """Built and installed with its run-time dependencies alone, it counts a short night right."""
    _run([sys.executable, "-m", "build", "--wheel", "--outdir", str(tmp_path), str(ROOT)])
    [wheel] = tmp_path.glob("*.whl")
    venv.create(tmp_path / "bare", with_pip=True)
    bin_ = tmp_path / "bare" / "bin"
    _run([str(bin_ / "pip"), "install", "--quiet", "--disable-pip-version-check", str(wheel)])
    home = tmp_path / "home"
    home.mkdir()
    kept = {
        k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "XDG_", "SEXTON_DATA"))
    }
    said = _run(
        [str(bin_ / "sexton"), "demo", "--headless", "--for", "5s", "--json", "--rate", "8"],
        cwd=home,
        env={**kept, "HOME": str(home)},
    )
    counts = json.loads(said)
    assert counts["agree"] is True
    assert sum(counts["cycles"].values()) > 0
    assert str(home) in counts["ledger"]


def _run(command: list[str], **settings: object) -> str:
    done = subprocess.run(command, capture_output=True, text=True, **settings)  # type: ignore[call-overload]
    assert done.returncode == 0, done.stdout + done.stderr
    return str(done.stdout)
