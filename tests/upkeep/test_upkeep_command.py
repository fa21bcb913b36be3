"""`sexton upkeep`, called as the shell calls it, on a real ledger and beside a real engine."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import icalendar
import pytest

from console.cli import main
from console.ledger.ledger import Ledger
from console.places import engine_folder, slug_of
from tests.proof.wearing_site import SECOND_NS, Book, make_site, site_text

SERVICE = """\
  oil: {title: Oil the rod, part: cylinder, strokes: 1000}
  seal: {title: "New seals, both; and the wiper", part: cylinder, strokes: 9000}
  drain: {title: Drain the tank, nights: 1}
  belt: {title: Look at the belt, days: 400}"""

Run = Callable[..., str]


def _days() -> list[dt.date]:
    """Ten nights up to the day before yesterday, ten from tomorrow on."""
    today = dt.datetime.now(dt.UTC).date()
    return [today + dt.timedelta(days=n) for n in (*range(-11, -1), *range(1, 11))]


@pytest.fixture
def works(tmp_path: Path) -> Path:
    """A site of two props with ten nights on record."""
    days = _days()
    make_site(tmp_path, site_text(2, [(day, 4) for day in days], service=SERVICE))
    book = Book(tmp_path / "works.ledger")
    for day in days[:10]:
        opened = book.open_night(day)
        for prop in ("prop-1", "prop-2"):
            slow = 1.3 if prop == "prop-2" and book.cycles.get(prop, 0) >= 300 else 1.0
            book.write(
                book.cycle(prop, opened + at * 100 * SECOND_NS, 500 * slow + at % 7, 700 + at % 5)
                for at in range(60)
            )
            book.write([book.stroke(prop, 120, opened + 6000 * SECOND_NS)])
        book.close_night(opened + 4 * 3600 * SECOND_NS)
    book.ledger.close()
    return tmp_path


@pytest.fixture
def run(works: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run one upkeep command on that ledger and return what it printed."""

    def call(*words: str, code: int = 0, ledger: bool = True) -> str:
        site = [str(works / "site.yaml")]
        looks = words[0] in ("due", "forecast", "spares", "drift", "calendar")
        where = site if looks else ["--site", *site]
        more = ["--ledger", str(works / "works.ledger")] if ledger else []
        assert main(["upkeep", *words, *where, *more]) == code
        out = capsys.readouterr()
        return out.out if code == 0 else out.err

    return call


def test_due_lists_what_comes_first_with_its_chance(run: Run) -> None:
    """What is due stands first; keys for scripts stay."""
    found = json.loads(run("due", "--json"))
    assert [d["standing"] for d in found][:3] == ["due", "due", "due"]
    by_id = {d["id"]: d for d in found}
    oil = by_id["prop-1/lift/cylinder:oil"]
    assert oil["limits"] == [
        {"unit": "strokes", "used": 1200, "limit": 1000, "share": 1.2, "on": None}
    ]
    assert oil["chance_next_night"] == 1.0
    assert set(oil) == {
        "id", "prop", "motion", "part", "kind", "task", "title", "standing", "limits", "due_on",
        "early", "late", "chance_next_night", "few_nights", "last",
    }  # fmt: skip
    assert "prop-1/lift/hose" not in by_id
    text = run("due", "--prop", "prop-1")
    assert "Oil the rod" in text
    assert "prop-2" not in text


def test_a_service_is_written_undone_and_corrected(run: Run) -> None:
    """Undo within the minute, a correction any time; every entry stays on record."""
    said = run("done", "prop-1/cylinder:oil", "--by", "Ines", "--note", "dry")
    entry = int(said.split()[1].rstrip(":"))
    by_id = {d["id"]: d for d in json.loads(run("due", "--json"))}
    assert by_id["prop-1/lift/cylinder:oil"]["limits"][0]["used"] == 0
    assert by_id["prop-1/lift/cylinder:seal"]["limits"][0]["used"] == 1200
    run("correct", str(entry), "--part", "prop-2/cylinder:oil", "--by", "Tom", "--note", "not mine")
    by_id = {d["id"]: d for d in json.loads(run("due", "--json"))}
    assert by_id["prop-1/lift/cylinder:oil"]["limits"][0]["used"] == 1200
    assert by_id["prop-2/lift/cylinder:oil"]["limits"][0]["used"] == 0
    run("undo")  # of the correction: what it was about holds again
    by_id = {d["id"]: d for d in json.loads(run("due", "--json"))}
    assert by_id["prop-1/lift/cylinder:oil"]["limits"][0]["used"] == 0
    run("undo", str(entry))
    page = json.loads(run("part", "prop-1/cylinder", "--json"))
    assert page["history"] == []
    assert page["entries"][0]["note"] == "dry"
    assert "did not happen" in run("part", "prop-1/cylinder")


def test_only_what_is_a_minute_old_can_be_undone(run: Run, works: Path) -> None:
    """After that the hint is the whole command that corrects it."""
    old_ns = time.time_ns() - 61 * SECOND_NS
    with Ledger.open(works / "works.ledger") as ledger:
        book_entry = Book.work(None, "prop-1", "valve", "service", old_ns)  # type: ignore[arg-type]
        ledger.append([book_entry])
    said = run("undo", code=2)
    assert "over 60 seconds ago" in said
    assert "sexton upkeep correct" in said


def test_several_kinds_of_upkeep_must_be_told_apart(run: Run) -> None:
    """Oiling must not restart the seals' count by accident; --all says that it may."""
    said = run("done", "prop-1/cylinder", "--by", "Ines", code=2)
    assert "prop-1/lift/cylinder:oil" in said
    run("done", "prop-1/cylinder", "--all", "--by", "Ines")
    by_id = {d["id"]: d for d in json.loads(run("due", "--json"))}
    assert by_id["prop-1/lift/cylinder:seal"]["limits"][0]["used"] == 0


def test_a_replacement_may_be_noted_days_later(run: Run) -> None:
    """A date alone means after that night."""
    day = _days()[7]
    run("done", "prop-1/valve", "--replaced", "--by", "Ines", "--when", day.isoformat())
    page = json.loads(run("part", "prop-1/valve", "--json"))
    assert page["life"]["strokes"] == 240
    assert page["lives_of_its_kind"]["failures"] == 1
    said = run("done", "prop-1/valve", "--by", "I", "--when", "2999-01-01", code=2)
    assert "future" in said
    assert "no date" in run("done", "prop-1/valve", "--by", "I", "--when", "soon", code=2)


def test_an_exchange_and_readings_are_kept(run: Run) -> None:
    """Parts keep their lives; readings restart nothing."""
    run("done", "prop-1/valve", "--renewed", "--by", "Ines", "--reading", "gap_mm=0.2")
    run("swap", "prop-1/valve", "prop-2/valve", "--by", "Tom")
    lives = {
        part: json.loads(run("part", part, "--json"))["life"]["strokes"]
        for part in ("prop-1/valve", "prop-2/valve")
    }
    assert lives == {"prop-1/valve": 1200, "prop-2/valve": 0}
    run("read", "weather", "damp=1", "temp_degf=41.5", "--by", "Ines")
    assert "no reading" in run("read", "weather", "damp", "--by", "Ines", code=2)
    assert "no reading" in run("read", "weather", "damp=inf", "--by", "Ines", code=2)
    assert "is a" in run("swap", "prop-1/valve", "prop-2/cylinder", "--by", "T", code=2)


def test_a_slow_motion_is_named_with_its_usual_cause(run: Run) -> None:
    """By how much, since when and why; the healthy prop is not mentioned."""
    found = json.loads(run("drift", "--json"))
    (flag,) = found["flags"]
    assert (flag["prop"], flag["motion"], flag["sign"]) == ("prop-2", "lift", "slowing")
    assert flag["slower"] == pytest.approx(0.3, abs=0.05)
    assert flag["since"].startswith(_days()[5].isoformat())
    assert found["limits"]["values_to_a_false_signal"] >= 1000
    text = run("drift", "--all")
    assert "usual causes" in text
    assert "SLOW" in text
    assert "prop-1" in text
    run("done", "prop-2/cylinder:seal", "--by", "Ines")
    assert json.loads(run("drift", "--json"))["flags"] == []


def test_forecast_and_spares_say_what_they_rest_on(run: Run) -> None:
    """Without replacements or a maker's word there is no number of spares."""
    found = json.loads(run("spares", "--nights", "3", "--json"))
    assert found["nights"] == 3
    assert {s["name"] for s in found["stocks"]} == {"seal kit", "valve", "sensor"}
    assert all(s["bring"] is None for s in found["stocks"])
    assert "neither" in run("spares")
    assert "likely by" in run("forecast")


def test_the_calendar_is_read_by_a_calendar_library(run: Run, works: Path) -> None:
    """Whole days, one entry for each piece of upkeep, the same UIDs next time, RFC 5545 escapes."""
    target = works / "upkeep.ics"
    run("calendar", "-o", str(target))
    written = target.read_bytes()
    calendar = icalendar.Calendar.from_ical(written)
    assert not calendar.errors
    events = calendar.walk("VEVENT")
    due = {d["id"]: d for d in json.loads(run("due", "--json"))}
    dated = [d for d in due.values() if d["due_on"] or d["standing"] == "due"]
    assert len(events) == len(dated)
    assert all(isinstance(event["DTSTART"].dt, dt.date) for event in events)
    assert all(not isinstance(event["DTSTART"].dt, dt.datetime) for event in events)
    assert len({str(event["UID"]) for event in events}) == len(events)
    belt = next(event for event in events if str(event["SUMMARY"]).startswith("belt"))
    assert belt["DTSTART"].dt == _days()[0] + dt.timedelta(days=400)
    titles = [str(event["SUMMARY"]) for event in events]
    assert "prop-1/lift/cylinder: Oil the rod" in titles
    assert "drain: Drain the tank" in titles
    assert all(len(line) <= 75 for line in written.split(b"\r\n"))
    run("calendar", "-o", str(target))
    again = icalendar.Calendar.from_ical(target.read_bytes())
    assert [e["UID"] for e in again.walk("VEVENT")] == [e["UID"] for e in events]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("due", "--prop", "prp-1"), "Did you mean prop-1"),
        (("part", "valve"), "could be 2 parts"),
        (("correct", "9", "--by", "I", "--note", "n", "--void"), "no entry 9"),
        (("undo", "9"), "no entry 9"),
        (("undo",), "no entry yet"),
    ],
)
def test_mistakes_are_said_in_one_line(run: Run, words: tuple[str, ...], message: str) -> None:
    """With what to do about it, and exit code 2."""
    assert message in run(*words, code=2)


def test_while_an_engine_runs_everything_goes_through_it(run: Run, works: Path) -> None:
    """The engine holds the ledger; the shell asks it, and reads the entry afterwards."""
    site, ledger = works / "site.yaml", works / "works.ledger"
    engine = subprocess.Popen(
        [sys.executable, "-m", "console.cli", "engine", str(site), "--ledger", str(ledger)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        socket = engine_folder(slug_of(site)).socket
        ends = time.monotonic() + 30
        while not socket.exists() and engine.poll() is None and time.monotonic() < ends:
            time.sleep(0.05)
        assert "serviced" in run("done", "prop-1/valve", "--by", "Ines", ledger=False)
        assert "changed places" in run(
            "swap", "prop-1/valve", "prop-2/valve", "--by", "Tom", ledger=False
        )
        assert "is undone" in run("undo", ledger=False)
        run("read", "weather", "damp=1", "--by", "Ines", ledger=False)
        page = json.loads(run("part", "prop-1/valve", "--json", ledger=False))
        assert [entry["kind"] for entry in page["history"]] == ["service"]
        assert len(page["entries"]) == 3
        assert engine.poll() is None
    finally:
        engine.terminate()
        engine.wait(20)
