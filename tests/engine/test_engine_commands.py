"""`sexton status`, `ports` and `engine` from a shell."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.boards import ROOT, simulated_command
from tests.engine.real import RealSite


def sexton(*words: str) -> subprocess.CompletedProcess[str]:
    """One command, run to its end."""
    return subprocess.run(
        [sys.executable, "-m", "console.cli", *words],
        cwd=ROOT, capture_output=True, text=True, timeout=30,
    )  # fmt: skip


@pytest.fixture(scope="module")
def site() -> Iterator[RealSite]:
    """One simulated board and its engine."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    made = RealSite(folder, simulated_command(), 1)
    made.start_boards()
    made.start_engine()
    made.until_live()
    yield made
    made.close()
    shutil.rmtree(folder)


def test_status_says_what_the_engine_sees(site: RealSite) -> None:
    """Site, controllers and props, a line each."""
    said = sexton("status", str(site.site))
    assert said.returncode == 0, said.stderr
    assert "Test yard: no night open" in said.stdout
    assert "controller board-1" in said.stdout
    assert "prop prop-1" in said.stdout


def test_status_as_json_has_every_entity_by_kind(site: RealSite) -> None:
    """For scripts: one object."""
    said = sexton("status", "--json", str(site.site))
    found = json.loads(said.stdout)
    assert found["site"]["name"] == "Test yard"
    assert found["stop"]["latched"] is False
    assert found["controller"]["board-1"]["link"] == "live"
    assert found["prop"]["prop-1"]["state"] == "disarmed"


def test_status_without_an_engine_is_exit_code_3(tmp_path: Path) -> None:
    """Nobody is there to ask, and how to change that is said."""
    said = sexton("status", str(tmp_path / "none.yaml"))
    assert said.returncode == 3
    assert "sexton run" in said.stderr


def test_ports_are_listed_as_json() -> None:
    """A list, empty where there is no adapter."""
    said = sexton("ports", "--json")
    assert said.returncode == 0
    assert isinstance(json.loads(said.stdout), list)


def test_a_broken_site_file_keeps_the_engine_down(tmp_path: Path) -> None:
    """One clear message and exit code 2, no traceback."""
    path = tmp_path / "broken.yaml"
    path.write_text("site: [\n")
    said = sexton("engine", str(path))
    assert said.returncode == 2
    assert "Traceback" not in said.stderr


def test_a_ledger_that_cannot_be_made_keeps_the_engine_down(site: RealSite, tmp_path: Path) -> None:
    """Named in one message, before any line is opened."""
    other = tmp_path / "other.yaml"
    other.write_text(site.site.read_text().replace("line-1", "line-9"))
    said = sexton("engine", str(other), "--ledger", str(tmp_path / "no" / "x.ledger"))
    assert said.returncode == 2
    assert "no folder" in said.stderr


def test_a_demo_engine_opens_no_real_line(tmp_path: Path) -> None:
    """A site whose lines do not lie in one folder of pseudo-terminals is refused."""
    said = sexton("engine", "--demo", "configs/demo.yaml")
    assert said.returncode == 2
    assert "demo" in said.stderr


def test_a_prop_is_tagged_from_the_shell_and_says_why(site: RealSite) -> None:
    """`tag on` holds the prop, `why` and `status` name the person, and only they lift it."""
    at = ("--site", str(site.site))
    done = sexton("tag", "on", "prop-1", "--by", "Ada", "--reason", "new hinge", *at)
    assert done.returncode == 0, done.stderr
    assert "tagged by Ada" in done.stdout
    assert "replaces no lock" in done.stdout
    why = sexton("why", "prop-1", *at)
    assert why.returncode == 1
    assert "tagged by Ada" in why.stdout
    assert "→" in why.stdout
    assert "tagged by Ada" in sexton("status", str(site.site)).stdout
    refused = sexton("tag", "lift", "prop-1", "--by", "Bo", *at)
    assert refused.returncode == 1
    assert "Only the person named on a tag" in refused.stderr
    lifted = sexton("tag", "lift", "prop-1", "--by", "Ada", "--json", *at)
    assert json.loads(lifted.stdout) == {"ok": True, "tags": []}
    site.until_live()
    body = json.loads(sexton("why", "prop-1", "--json", *at).stdout)
    assert set(body) == {"arm", "fire", "test"}
    assert sexton("why", "no-such-prop", *at).returncode == 1
