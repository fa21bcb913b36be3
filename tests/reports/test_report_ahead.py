"""The report's sections that need the site file: air used, service due, spares to bring."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import math
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from console.cli import main
from console.ledger.entries import EventEntry, RunTime
from console.ledger.ledger import Ledger
from console.rules.airused import air_of_night, starts
from console.site.loading import load
from tests.proof.wearing_site import SECOND_NS, Book, make_site, site_text

MEASUR_SCF = 5.5656893 / 60
"""US DOE / ORNL MEASUR tools suite, unit test PneumaticAirRequirement: double-acting, bore 1.5 in,
stroke 6 in, rod 0.375 in, 100 psig, 60 a minute; with the exact pi."""
SERVICE = """\
  oil: {title: Oil the rod, part: cylinder, strokes: 150}
  listen: {title: Listen for leaks, part: valve, strokes: 230}
  seal: {title: New seals, part: cylinder, strokes: 90000}
  drain: {title: Drain the tank, nights: 1}"""
CYLINDER = "        cylinder: {bore: 1.5 in, stroke: 6 in, rod: 0.375 in, acting: double}\n"
AIR = """\
air:
  compressor: {delivers: 5 scfm, at: 90 psi, cut_in: 90 psi, cut_out: 120 psi}
  tank: {volume: 30 gal}
  leak: 0.4 scfm
"""
PARTS = "          hinge: {kind: hinge, model: hinge, b10: 100}\n"
DAYS = [dt.date(2027, 10, day) for day in (1, 2, 8, 9, 15, 16)]
RUNS = (60, 50, 40)
"""Of each prop in the first nights; boards count ten strokes more."""
OPEN_S = 4 * 3600

Ask = Callable[..., str]


def esposito_scf(psi: float) -> float:
    """One stroke out and back: swept volumes x (p + 14.7) / 14.7 in cubic feet.

    A. Esposito, Fluid Power with Applications, equation 13-6, at 68 degF.
    """
    out_in2 = math.pi * 1.5**2 / 4
    back_in2 = out_in2 - math.pi * 0.375**2 / 4
    return (out_in2 + back_in2) * 6 * (psi + 14.7) / 14.7 / 1728


@pytest.fixture
def works(tmp_path: Path) -> Path:
    """Two props that ran for three nights; serviced after the first, and a gauge read in the last.

    Three nights of the calendar are still to come.
    """
    text = site_text(2, [(day, 4) for day in DAYS], service=SERVICE, parts=PARTS)
    text = text.replace("        parts:\n", CYLINDER + "        parts:\n")
    text = text.replace("    rest: 5 s\n", "    rest: 5 s\n    set_pressure: 90 psi\n")
    make_site(tmp_path, text + AIR)
    book = Book(tmp_path / "works.ledger")
    for number, (day, runs) in enumerate(zip(DAYS, RUNS, strict=False)):
        night(book, day, runs, gauge="100 psi" if number == 2 else "")
        if number == 0:
            book.write([book.work("prop-1", "cylinder", "service", book.now_ns + SECOND_NS)])
            book.write([book.work("prop-2", "hinge", "replaced", book.now_ns + 2 * SECOND_NS)])
    book.ledger.close()
    return tmp_path


def night(book: Book, day: dt.date, runs: int, gauge: str = "") -> None:
    """One night in which both props run so often, and are moved by hand ten times more."""
    opened = book.open_night(day)
    for prop in ("prop-1", "prop-2"):
        book.write([book.stroke(prop, 0, opened)])
        if gauge:
            check = {"item": "gauge", "title": "set pressure", "reading": gauge}
            book.write([EventEntry("check", prop, check, opened, "Ines")])
        book.write(
            [book.cycle(prop, opened + n * 200 * SECOND_NS, 500, 700) for n in range(1, runs + 1)]
        )
        book.write([book.stroke(prop, runs, opened + OPEN_S * SECOND_NS // 2)])
        book.write([book.stroke(prop, 10, opened + OPEN_S * SECOND_NS)])
    book.write([RunTime("running", "compressor", 1_234_000, opened + OPEN_S * SECOND_NS)])
    book.close_night(opened + OPEN_S * SECOND_NS)


@pytest.fixture
def ask(works: Path, capsys: pytest.CaptureFixture[str]) -> Ask:
    """Run `sexton` with the site and the ledger named; what it printed."""

    def call(*words: str, code: int = 0) -> str:
        where = ["--ledger", str(works / "works.ledger"), str(works / "site.yaml")]
        assert main([*words, *where]) == code
        out = capsys.readouterr()
        return out.out if code == 0 else out.err

    return call


def sections(ask: Ask, *words: str) -> dict[str, dict[str, Any]]:
    """The sections of the JSON report."""
    found: dict[str, dict[str, Any]] = json.loads(ask("report", "--format", "json", *words))[
        "sections"
    ]
    return found


def test_air_of_a_night_is_what_the_handbook_says(ask: Ask) -> None:
    """Runs and strokes by hand, at the pressure that the gauge read that night."""
    found = sections(ask)
    for row in found["air"]["rows"]:
        assert (row["runs"], row["strokes"], row["psi"]) == (40, 10, 100)
        assert row["runs_scf"] == pytest.approx(40 * MEASUR_SCF, rel=1e-6)
        assert row["strokes_scf"] == pytest.approx(10 * MEASUR_SCF, rel=1e-6)
        assert row["scf"] == pytest.approx(50 * esposito_scf(100), rel=1e-9)
        assert row["share"] == 0.5
        assert row["unknown_runs"] == 0
    (whole,) = found["compressor"]["rows"]
    assert whole["props_scf"] == pytest.approx(100 * MEASUR_SCF, rel=1e-6)
    assert whole["leak_scf"] == pytest.approx(0.4 * OPEN_S / 60)
    assert whole["scf"] == pytest.approx(whole["props_scf"] + whole["leak_scf"])
    # It is rated at the very pressure at which it cuts in.
    assert whole["needs_s"] == pytest.approx(whole["scf"] / 5 * 60)
    assert whole["ran_s"] == 1234


def test_air_is_what_the_shell_reckons(
    ask: Ask, works: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`sexton calc air` for a stroke and `sexton whatif` for a run say the same."""
    row = sections(ask)["air"]["rows"][0]
    words = "--bore 1.5in --stroke 6in --rod 0.375in --pressure 100psi --rate 1/min --json"
    assert main(["calc", "air", *words.split()]) == 0
    each = json.loads(capsys.readouterr().out)
    per_cycle = each["per_cycle_scf"]
    assert row["strokes_scf"] == pytest.approx(10 * per_cycle)
    where = ["--site", str(works / "site.yaml"), "--pressure", "100psi", "--json"]
    main(["whatif", "prop-1.lift", *where])
    after = json.loads(capsys.readouterr().out)["after"]
    assert row["runs_scf"] == pytest.approx(40 * after["cycle_scf"])
    assert row["strokes_scf"] == pytest.approx(10 * after["stroke_scf"])


def test_air_of_a_season_takes_each_night_at_its_own_pressure(ask: Ask, works: Path) -> None:
    """Without a gauge reading the site file's pressure counts; rows come from the query's rows."""
    found = sections(ask, "--season", "2027")
    wanted = (70 + 60) * esposito_scf(90) + 50 * esposito_scf(100)
    assert [row["scf"] for row in found["air"]["rows"]] == pytest.approx([wanted, wanted])
    by_night = [row["props_scf"] for row in found["compressor"]["rows"]]
    assert by_night == pytest.approx(
        [2 * 70 * esposito_scf(90), 2 * 60 * esposito_scf(90), 2 * 50 * esposito_scf(100)]
    )
    total = 0.0
    with sqlite3.connect(works / "works.ledger") as database:
        for _, night_date, _, what, _, amount in database.execute(found["air"]["query"]):
            # Every run of this sequence is one stroke, so a night's strokes hold its runs.
            total += (
                (what == "strokes")
                * amount
                * esposito_scf(100 if night_date == "2027-10-08" else 90)
            )
    assert sum(by_night) == pytest.approx(total)


def test_due_is_what_the_records_and_the_shell_say(ask: Ask, works: Path) -> None:
    """Used strokes are those since the service; `sexton upkeep due` says the same."""
    found = sections(ask)["due"]
    by_id = {row["id"]: row for row in found["rows"]}
    since = dict.fromkeys(("prop-1", "prop-2"), 0)
    with sqlite3.connect(works / "works.ledger") as database:
        for prop, _, what, at, amount in database.execute(found["query"]):
            if what == "strokes of a night" and (prop == "prop-2" or at > "2027-10-01"):
                since[prop] += amount
    assert since == {"prop-1": 60 + 50, "prop-2": 70 + 60 + 50}
    assert (
        "prop-1/lift/cylinder:oil" not in by_id or not by_id["prop-1/lift/cylinder:oil"]["standing"]
    )
    assert by_id["prop-2/lift/cylinder:oil"]["used"] == since["prop-2"]
    assert by_id["prop-2/lift/cylinder:oil"]["standing"] == "due"
    assert by_id["prop-2/lift/cylinder:oil"]["chance"] == 1.0
    assert by_id["drain"]["used"] == 3
    assert "prop-1/lift/cylinder:seal" not in by_id
    assert "As of the end of the night, 2027-10-08 22:00:00 UTC." in found["note"]
    said = json.loads(ask("upkeep", "due", "--night", "last", "--json"))
    likely = [d for d in said if d["standing"] == "due" or (d["chance_next_night"] or 0) >= 0.1]
    assert [(d["id"], d["chance_next_night"], d["due_on"]) for d in likely] == [
        (row["id"], row["chance"], row["due_on"]) for row in found["rows"]
    ]
    assert "--night 3" in found["how"]
    assert "sexton upkeep due" in found["how"]


def test_spares_are_what_the_shell_says(ask: Ask) -> None:
    """How many of each kind, as `sexton upkeep spares` has it for the same moment."""
    found = sections(ask)["spares"]
    said = json.loads(ask("upkeep", "spares", "--night", "2027-10-08", "--json"))
    assert said["nights"] == 3
    assert [
        (s["name"], s["kind"], s["bring"], s["in_use"], s["expected"], s["chance_enough"])
        for s in said["stocks"]
        if s["bring"]
    ] == [
        tuple(row[n] for n in ("name", "kind", "bring", "in_use", "expected", "chance_enough"))
        for row in found["rows"]
    ]
    assert any(row["bring"] for row in found["rows"])
    assert "For the 3 nights left" in found["note"]


def test_an_old_night_stays_as_it_was(ask: Ask, works: Path) -> None:
    """Later nights, later work and strokes between nights change nothing in its report."""
    worked = ("air", "compressor", "due", "spares")
    before = sections(ask)
    book = Book(works / "more.ledger")
    book.ledger.close()
    book.ledger = Ledger.open(works / "works.ledger")
    book.cycles = dict.fromkeys(("prop-1", "prop-2"), sum(RUNS))
    book.strokes = dict.fromkeys(("prop-1", "prop-2"), sum(RUNS) + 10 * len(RUNS))
    between = book.now_ns = int(dt.datetime(2027, 10, 9, 12, tzinfo=dt.UTC).timestamp()) * SECOND_NS
    book.write([book.cycle("prop-2", between, 500, 700, trigger="test")])
    book.write([book.stroke("prop-2", 1, between + SECOND_NS)])
    book.write([book.work("prop-2", "cylinder", "service", between + 2 * SECOND_NS, task="oil")])
    book.write([book.work("prop-1", "hinge", "replaced", between + 3 * SECOND_NS)])
    night(book, DAYS[3], 77)
    book.ledger.close()
    after = sections(ask, "--night", "2027-10-08")
    for name in worked:
        assert after[name]["rows"] == before[name]["rows"], name
    newest = {row["id"]: row for row in sections(ask)["due"]["rows"]}
    assert (
        "prop-2/lift/cylinder:oil" not in newest or newest["prop-2/lift/cylinder:oil"]["used"] == 87
    )


def test_work_noted_late_counts_when_it_was_done(ask: Ask, works: Path) -> None:
    """A service of before the night's end is not due any more, whenever it was written down."""
    done = int(dt.datetime(2027, 10, 8, 12, tzinfo=dt.UTC).timestamp()) * SECOND_NS
    with Ledger.open(works / "works.ledger") as ledger:
        book = Book(works / "more.ledger")
        ledger.append([book.work("prop-2", "cylinder", "service", done, task="oil")])
        book.ledger.close()
    assert not any(row["id"] == "prop-2/lift/cylinder:oil" for row in sections(ask)["due"]["rows"])


def test_data_files_have_right_types(ask: Ask) -> None:
    """Numbers are numbers, dates and times ISO 8601, in JSON and in CSV."""
    oil = next(r for r in sections(ask)["due"]["rows"] if r["id"] == "prop-2/lift/valve")
    assert isinstance(oil["used"], int)
    assert isinstance(oil["chance"], float)
    dt.date.fromisoformat(oil["due_on"])
    rows = list(csv.DictReader(io.StringIO(ask("report", "--format", "csv", "--section", "air"))))
    assert [float(row["scf"]) for row in rows] == pytest.approx([50 * esposito_scf(100)] * 2)
    text = ask("report", "--format", "csv", "--section", "due", "--night", "2027-10-02")
    frame = pd.read_csv(io.StringIO(text), parse_dates=["last", "due_on"]).set_index("id")
    assert isinstance(frame["last"].dtype, pd.DatetimeTZDtype)
    assert frame["due_on"].dtype.kind == "M"
    assert (frame["used"].dtype.kind, frame["chance"].dtype.kind) == ("i", "f")
    assert frame.loc["prop-1/lift/cylinder:oil", "last"] == pd.Timestamp("2027-10-01 22:00:01Z")


def test_without_a_site_file_the_sections_say_so(
    works: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line with the remedy in every form; the CSV of such a section is refused."""
    ledger = ["--ledger", str(works / "works.ledger")]
    for form in ("text", "md", "html"):
        assert main(["report", *ledger, "--format", form]) == 0
        text = capsys.readouterr().out
        assert text.count("no site file is known") == 4, form
        assert "sexton report my-site.yaml" in text.replace("\\", "")
    assert main(["report", *ledger, "--format", "json"]) == 0
    found = json.loads(capsys.readouterr().out)["sections"]
    for name in ("air", "compressor", "due", "spares"):
        assert (found[name]["known"], found[name]["rows"]) == (False, [])
    assert main(["report", *ledger, "--format", "csv", "--section", "due"]) == 2
    assert "Name it" in capsys.readouterr().err


def test_the_site_file_of_the_last_engine_is_found(
    works: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The ledger says which it was; one that is gone since is named."""
    site = works / "site.yaml"
    with Ledger.open(works / "works.ledger") as ledger:
        started = EventEntry("engine-started", "site", {"site_file": str(site)}, 1)
        ledger.append([started])
    words = ["report", "--ledger", str(works / "works.ledger"), "--night", "last"]
    assert main(words) == 0
    text = capsys.readouterr().out
    assert "Morrowfen Ice Works: night of 2027-10-08" in text
    assert "prop-2/lift/cylinder:oil" in text
    site.rename(works / "moved.yaml")
    assert main(words) == 0
    assert f"the site file {site} cannot be used any more" in capsys.readouterr().out


def test_every_worked_section_says_how(ask: Ask) -> None:
    """`--query` prints the query and, as comments, formula and command; it runs as it stands."""
    for name in ("air", "compressor", "due", "spares"):
        said = ask("report", "--query", name)
        assert said.startswith(sections(ask)[name]["query"])
        comment = " ".join(line[3:] for line in said.splitlines() if line.startswith("-- "))
        assert "sexton " in comment
        assert "console.rules." in comment


def test_a_night_that_is_still_open_is_told_as_of_now(ask: Ask, works: Path) -> None:
    """Its end has not come, so the sections say that they look from now."""
    book = Book(works / "more.ledger")
    book.ledger.close()
    book.ledger = Ledger.open(works / "works.ledger")
    book.open_night(DAYS[3])
    book.ledger.close()
    assert "with the night still open" in sections(ask)["due"]["note"]
    assert "has ended" in ask("upkeep", "due", "--night", "last", code=2)


def test_an_unknown_night_is_named(ask: Ask) -> None:
    """`--night` of upkeep says which nights there are."""
    assert "The newest are 2027-10-01" in ask("upkeep", "due", "--night", "2001-01-01", code=2)


def test_runs_of_other_sequences_are_counted_apart(works: Path) -> None:
    """What the site file does not know is not reckoned, and never goes missing."""
    prop = load(works / "site.yaml").prop("prop-1")
    found = air_of_night(prop, {"full": 3, "gone": 2}, {"lift": 3}, None)
    assert (found.runs, found.unknown_runs, found.strokes) == (3, 2, 0)
    assert found.scf == pytest.approx(3 * esposito_scf(90))
    blind = prop.model_copy(update={"set_pressure_psi": None, "min_pressure_psi": None})
    assert air_of_night(blind, {"full": 3}, {}, None).scf is None
    assert starts(prop.sequence("full").steps, 1) == 1
