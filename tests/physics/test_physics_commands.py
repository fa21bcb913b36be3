"""`sexton check --explain`, `sexton whatif` and `sexton air` from the shell."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from console.site.shipped import shipped

DEMO = shipped("demo")


def sexton(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "console.cli", *map(str, words)],
        capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip


def test_explain_shows_numbers_units_and_sources() -> None:
    """Push of 1.5 in at 60 psi is 106.0 lbf (checks 1i: area 1.767 in2)."""
    done = sexton("check", DEMO, "--explain", "boiler-hatch")
    assert done.returncode == 0
    for words in (
        "motion swing", "60 psi x 1.767 in2", "106.0 lbf", "F = p A", "at least 2 for a fast",
        "84.2 deg", "law of cosines", "4.8 W / 24 V", "NEC chapter 9 table 8", "Esposito",
        "usable 5 / 1.25 = 4.00 A",
    ):  # fmt: skip
        assert words in " ".join(done.stdout.split()), words


def test_explain_as_json_has_every_step() -> None:
    """One list a section, each step with what, working, result and source."""
    done = sexton("check", DEMO, "--explain", "ice-house-door", "--json")
    found = json.loads(done.stdout)
    assert {"motion raise", "air", "supply"} == set(found)
    assert set(found["motion raise"][0]) == {"what", "working", "result", "source"}


def test_explain_of_an_unknown_prop_names_the_nearest() -> None:
    """Exit 2, and no traceback."""
    done = sexton("check", DEMO, "--explain", "boiler-hatsch")
    assert done.returncode == 2
    assert "did you mean boiler-hatch?" in done.stderr
    assert "Traceback" not in done.stderr


def test_whatif_shows_both_sides() -> None:
    """The 1-1/16 in cylinder is broken, there is a 3/4 in one: 26.5 lbf (checks 1j) are too few."""
    done = sexton("whatif", "--site", DEMO, "gate-knocker.knock", "--bore", "0.75in")
    assert done.returncode == 1
    assert "1-1/16 in   3/4 in" in done.stdout
    assert "1.47, too little" in done.stdout


def test_whatif_as_json() -> None:
    """Before and after with the same keys; a better cylinder gives exit 0."""
    done = sexton(
        "whatif", "--site", DEMO, "gate-knocker.knock", "--bore", "1-1/4in", "--pressure", "70psi",
        "--json",
    )  # fmt: skip
    assert done.returncode == 0
    found = json.loads(done.stdout)
    assert found["motion"] == "gate-knocker.knock"
    assert found["changed"] == {"bore": "1-1/4in", "pressure": "70psi"}
    assert set(found["before"]) == set(found["after"])
    assert found["after"]["push_lbf"] == pytest.approx(70 * 1.2271846, rel=1e-6)
    assert found["after"]["stroke_scf"] > found["before"]["stroke_scf"]


def test_whatif_of_valve_and_hose_changes_time_alone() -> None:
    """A smaller valve is slower and pushes as hard."""
    done = sexton("whatif", "--site", DEMO, "lurching-cart", "--cv", "0.1", "--json")
    found = json.loads(done.stdout)
    assert found["after"]["out_ms"] > found["before"]["out_ms"]
    assert found["after"]["push_lbf"] == found["before"]["push_lbf"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("gate-knocker.knock",), "nothing is changed"),
        (("gate-knocker.knok", "--bore", "1in"), "did you mean gate-knocker.knock?"),
        (("gate-knocker.knock", "--bore", "60psi"), "is a pressure, not a length"),
        (("gate-knocker.knock", "--bore", "0in"), "must be above 0"),
        (("gate-knocker.knock", "--bore", "0.2in"), "does not fit a bore"),
        (("gate-knocker.knock", "--count", "1.5"), "a whole number from 1 to 8"),
        (("gate-knocker.knock", "--pressure", "3000psi"), "at most 300 psi"),
        (("boiler-hatch.swing", "--stroke", "9in"), "cannot close a triangle"),
    ],
)
def test_whatif_refuses_what_makes_no_sense(words: tuple[str, ...], said: str) -> None:
    """Exit 2 and one clear message."""
    done = sexton("whatif", "--site", DEMO, *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_air_without_an_engine_reckons_by_the_file() -> None:
    """Demand, headroom and each prop; exit 3 where no site is named either."""
    done = sexton("air", "--site", DEMO)
    assert done.returncode == 0
    assert "1.75 scfm, of it 0.4 leak" in done.stdout
    found = json.loads(sexton("air", "--site", DEMO, "--json").stdout)
    assert found["demand_scfm"] == pytest.approx(1.749, abs=1e-3)
    assert sum(found["props"].values()) + 0.4 == pytest.approx(found["demand_scfm"])
    assert sexton("air").returncode == 3


def test_a_leak_test_is_reckoned_kept_and_listed(tmp_path: Path) -> None:
    """Two tests go into the ledger in order; 20 % and more is exit 1."""
    ledger = tmp_path / "tests.ledger"
    base = ("air", "leak-test", "--site", DEMO, "--ledger", ledger)
    well = sexton(*base, "--from", "110psi", "--to", "104psi", "--time", "15min", "--by", "Ada")
    assert well.returncode == 0, well.stderr
    assert "3 % of the compressor's 5 scfm: well kept" in well.stdout
    poor = sexton(*base, "--from", "110psi", "--to", "60psi", "--time", "15min", "--json")
    assert poor.returncode == 1
    assert json.loads(poor.stdout)["mark"] == "poorly kept"
    listed = json.loads(sexton(*base, "--list", "--json").stdout)
    assert [round(row["percent"], 1) for row in listed] == [2.7, 22.7]
    assert listed[0]["by"] == "Ada"
    assert len(sexton(*base, "--list").stdout.splitlines()) == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--from", "80psi", "--to", "90psi", "--time", "5min"), "the pressure must fall"),
        (("--from", "80psi", "--to", "70psi", "--time", "0min"), "above 0"),
        (("--from", "80psi"), "belong together"),
        ((), "needs a terminal"),
        (("--watch",), "no engine is running"),
    ],
)
def test_a_leak_test_refuses_what_tells_nothing(
    tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    """Exit 2, one message, and nothing in the ledger."""
    ledger = tmp_path / "tests.ledger"
    done = sexton("air", "leak-test", "--site", DEMO, "--ledger", ledger, *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert not ledger.exists()
