"""`sexton opening` from a shell, against a real engine."""

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
from tests.engine.real import RealSite, until
from tests.opening.opening_sites import OPENING


@pytest.fixture(scope="module")
def site() -> Iterator[RealSite]:
    """One simulated board and its engine, on a site that asks for the check."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    made = RealSite(folder, simulated_command(), 1, rules=OPENING.format(required="yes"))
    made.start_boards()
    made.start_engine()
    made.until_live()
    yield made
    made.close()
    shutil.rmtree(folder)


def sexton(*words: str) -> subprocess.CompletedProcess[str]:
    """One command, run to its end."""
    return subprocess.run(
        [sys.executable, "-m", "console.cli", *words],
        cwd=ROOT, capture_output=True, text=True, timeout=30,
    )  # fmt: skip


def test_the_check_from_a_shell(site: RealSite) -> None:
    """What is left is listed, checked off by name, taken back, and kept over the engine's death."""
    at = ("--site", str(site.site))
    assert "no night is open" in sexton("opening", *at).stdout
    refused = sexton("opening", "done", "chore-1", "--by", "Ada", *at)
    assert refused.returncode == 1
    assert "Open the night first" in refused.stderr
    assert site.ask("open_night", by="Ada").ok
    until(lambda: site.view("opening")["done"] >= 3, 5, "found, matches and tags are judged")
    listed = sexton("opening", *at).stdout
    assert "closed until checked: prop-1" in listed
    assert "prop-1 tested" in listed
    stranger = sexton("opening", "done", "chore-1", "--by", "Bo", *at)
    assert stranger.returncode == 1
    assert "not signed in" in stranger.stderr
    assert "Ada, Bo" in sexton("opening", "sign-in", "--by", "Bo", *at).stdout
    done = sexton("opening", "done", "chore-1", "--by", "bo", *at)
    assert done.returncode == 0, done.stderr
    assert "left" in done.stdout
    body = json.loads(sexton("opening", "--json", *at).stdout)
    chore = next(i for i in body["items"] if i["item"] == "chore-1")
    assert (chore["done"], chore["by"]) == (True, "Bo")
    assert sexton("opening", "done", "tested", "--prop", "prop-1", "--by", "Ada", *at).returncode
    assert sexton("opening", "undo", "chore-1", "--by", "Ada", *at).returncode == 0
    assert sexton("opening", "done", "exit-1", "--by", "Ada", "--json", *at).returncode == 0
    site.end_engine()
    site.start_engine()
    site.until_live()
    until(lambda: site.view("opening")["done"] >= 4, 5, "the check is taken up again")
    rows = {i["item"]: i for i in site.view("opening")["items"]}
    assert rows["exit-1"]["by"] == "Ada"
    assert not rows["chore-1"]["done"]
    assert sexton("opening", "again", "prop-1", "--by", "Bo", *at).returncode == 0
    report = sexton("report", "--ledger", str(site.ledger), "--night", "last", "--format", "json")
    kinds = {r["kind"] for r in json.loads(report.stdout)["sections"]["opening"]["rows"]}
    assert kinds == {"by itself", "by hand", "taken back", "begun anew"}


def test_a_wrong_word_is_named(site: RealSite) -> None:
    """With what there is instead."""
    at = ("--site", str(site.site))
    found = sexton("opening", "done", "chore-9", "--by", "Ada", *at)
    assert found.returncode == 1
    assert "chore-1" in found.stderr
    assert "Traceback" not in found.stderr
