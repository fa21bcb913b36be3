"""`sexton air` against a real engine and a real board process with a gauge on it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.boards import simulated_command
from tests.engine.real import RealSite, until

AIR = """\
air:
  compressor: {delivers: 5 scfm, cut_in: 95 psi, cut_out: 125 psi}
  tank: {volume: 5 gal}
  sensor: {controller: board-1, at_high: 150 psi}
"""


def sexton(*words: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a user does, no terminal in sight."""
    return subprocess.run(
        [sys.executable, "-m", "console.cli", *words],
        capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.fixture
def real() -> Iterator[RealSite]:
    """One board and its engine, the gauge at 110 psi."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    site = RealSite(folder, simulated_command(), 1, rules=AIR)
    try:
        site.start_boards()
        site.bench("board-1").pressure(gauge(110))
        site.start_engine()
        site.until_live()
        until(lambda: shown(site) is not None, 10, "a measured pressure")
        yield site
    finally:
        site.close()
        shutil.rmtree(folder, ignore_errors=True)


def gauge(psi: float) -> int:
    """Millivolts of a 0.5 to 4.5 V sensor over 150 psi."""
    return round(500 + psi / 150 * 4000)


def shown(site: RealSite) -> float | None:
    """The measured pressure as consoles see it."""
    try:
        found: float | None = site.view("air")["measured_psi"]
    except KeyError:
        return None
    return found


def test_the_shell_sees_the_air_and_the_sensor_does_a_leak_test(real: RealSite) -> None:
    """Words and JSON; a test is refused while props answer triggers, else watched and kept."""
    said = sexton("air", "--site", str(real.site))
    assert said.returncode == 0, said.stderr
    assert "110 psi ± 1 (by its sensor)" in said.stdout
    found = json.loads(sexton("air", "--site", str(real.site), "--json").stdout)
    assert found["measured_psi"] == pytest.approx(110, abs=0.3)
    base = ("air", "leak-test", "--site", str(real.site))
    real.arm_all()
    refused = sexton(*base, "--watch", "1s")
    assert refused.returncode == 2
    assert "their strokes would count as leak" in refused.stderr
    assert real.ask("disarm", props=["all"]).ok
    real.until_all("disarmed")

    over = threading.Event()

    def fall() -> None:
        began = time.monotonic()
        while not over.wait(0.1):
            psi = max(0.0, 110 - 1.2 * (time.monotonic() - began))
            real.bench("board-1").pressure(gauge(psi))

    falling = threading.Thread(target=fall)
    falling.start()
    done = sexton(*base, "--watch", "5s", "--by", "Ada", "--json")
    over.set()
    falling.join()
    assert done.returncode == 1, done.stderr
    result = json.loads(done.stdout)
    assert result["from_psi"] > result["to_psi"] + 2
    assert result["mark"] == "poorly kept"
    listed = json.loads(sexton(*base, "--list", "--json").stdout)
    assert [(row["by"], row["leak_cfm"]) for row in listed] == [("Ada", result["leak_cfm"])]
