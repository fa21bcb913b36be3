"""Reports from a real ledger, read back by foreign programs."""

from __future__ import annotations

import io
import json
import sqlite3
import zoneinfo
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from console.cli import main
from console.ledger.entries import (
    CycleEntry,
    EventEntry,
    MissedTrigger,
    NightClosed,
    NightOpened,
    Travel,
)
from console.ledger.ledger import Ledger
from console.reports.sections import SECTIONS

ZONE = zoneinfo.ZoneInfo("Europe/Vienna")
"""Daylight saving ended there on 31 October 2027 at 03:00 (IANA time zone data)."""
HOSTILE = "<script>alert(1)</script>|[bold]"


def ns(year: int, month: int, day: int, hour: int, minute: int = 0, fold: int = 0) -> int:
    """A local time of the site as the ledger keeps it."""
    moment = datetime(year, month, day, hour, minute, tzinfo=ZONE, fold=fold)
    return int(moment.timestamp()) * 1_000_000_000


def cycle(number: int, at_ns: int, trigger: str = "sensor", outcome: str = "done") -> CycleEntry:
    """A cycle of 2 s with one stroke measured out and back."""
    travels = (Travel("lift", "out", 300 + number), Travel("lift", "back", 500))
    return CycleEntry(
        "MF-1", 7, 1, number, "loft-trap", "plain", trigger, at_ns, 4.0, 3, number * 1000, 2000,
        travels, outcome,
    )  # fmt: skip


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger of two nights; the second lasts across the end of daylight saving."""
    path = tmp_path / "season.ledger"
    opened = Ledger.open(path)
    first, second = ns(2027, 10, 29, 18), ns(2027, 10, 30, 18)
    opened.append([NightOpened(first, "Ada", "2027-10-29")])
    opened.append([cycle(n, first + n * 60_000_000_000) for n in range(1, 11)])
    opened.append([NightClosed(ns(2027, 10, 29, 23), "Ada")])
    opened.append([NightOpened(second, "Bo", "2027-10-30")])
    opened.append([cycle(n, ns(2027, 10, 31, 2, n, fold=0)) for n in range(11, 15)])
    opened.append(
        [
            cycle(15, ns(2027, 10, 31, 2, 30, fold=1), "operator"),
            cycle(16, ns(2027, 10, 31, 2, 40, fold=1), outcome="stopped"),
            MissedTrigger("MF-1", "loft-trap", "sensor", "resting", ns(2027, 10, 31, 2, 31, 1)),
            EventEntry("fire", "loft-trap", {}, ns(2027, 10, 31, 2, 30, fold=1), "Bo"),
            EventEntry("group-sent", "site", {"size": 6}, second + 3_600_000_000_000, "Bo"),
            EventEntry("group-sent", "site", {"size": 4}, second + 7_200_000_000_000, "Bo"),
            EventEntry("all-stop", "site", {"stop": 9, "source": "key F9"}, second + 10**9, "desk"),
            EventEntry("all-stop-confirmed", "site", {"stop": 9}, second + 10**9 + 40_000_000),
            EventEntry("clear", "site", {"stop": 9, "why": "false"}, second + 61 * 10**9, "Bo"),
            EventEntry("controller-lost", "loft", {}, second + 100 * 10**9),
            EventEntry("controller-live", "loft", {}, second + 130 * 10**9),
            EventEntry("fault", "loft-trap", {"detail": "on-time"}, second + 140 * 10**9),
            EventEntry("fault", "loft-trap", {"detail": "on-time"}, second + 160 * 10**9),
            EventEntry("mend", "loft-trap", {}, second + 190 * 10**9, "Bo"),
            *(
                EventEntry("alarm", f"late/{n}", {"priority": "soon"}, second + n * 240 * 10**9)
                for n in range(5)
            ),
            EventEntry(
                "refused", "loft-trap", {"action": "fire", "checks": ["rested", "armed"]}, second
            ),
            EventEntry("tag", "loft-trap", {"reason": "hinge"}, second + 5, "Ada"),
            EventEntry("note", "loft-trap", {"text": HOSTILE}, second + 200 * 10**9, HOSTILE),
        ]
    )
    opened.append([NightClosed(ns(2027, 10, 31, 18), "Bo")])
    opened.close()
    return path


def report(ledger: Path, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What `sexton report` prints."""
    assert main(["report", "--ledger", str(ledger), *words]) == 0
    return capsys.readouterr().out


def section(ledger: Path, capsys: pytest.CaptureFixture[str], name: str, *words: str) -> list:
    """The rows of one section of the JSON report."""
    whole = json.loads(report(ledger, capsys, "--format", "json", *words))
    return whole["sections"][name]["rows"]


def test_night_of_25_hours(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From 18:00 to 18:00 across the end of daylight saving a night lasts 25 hours."""
    (night,) = section(ledger, capsys, "nights", "--night", "2027-10-30")
    assert night["open_s"] == 25 * 3600
    assert night["cycles"] == 6
    assert night["missed"] == 1


def test_hours_that_exist_twice_stay_apart(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The two hours after 02:00 of that night are two rows, an hour apart; groups have theirs."""
    hours = section(ledger, capsys, "hours", "--night", "2027-10-30")
    assert [(row["groups"], row["guests"], row["cycles"]) for row in hours] == [
        (1, 6, 0), (1, 4, 0), (0, 0, 4), (0, 0, 2),
    ]  # fmt: skip
    hours = [row for row in hours if row["cycles"]]
    first, second = (datetime.fromisoformat(row["hour"]) for row in hours)
    assert (second - first).total_seconds() == 3600


def test_figures_are_what_was_put_in(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Cycles, stops, losses, groups and motions come to what the entries say."""
    rows = section(ledger, capsys, "cycles", "--season", "2027")
    assert [(r["prop"], r["cycles"], r["operator"], r["cut"]) for r in rows] == [
        ("loft-trap", 16, 1, 1)
    ]
    (stop,) = section(ledger, capsys, "stops")
    assert stop["confirmed_s"] == pytest.approx(0.04)
    assert stop["cleared_s"] == pytest.approx(60)
    assert stop["why"] == "false"
    away = [tuple(row.values()) for row in section(ledger, capsys, "away")]
    assert away == [
        ("loft-trap", "tagged", 1, pytest.approx(25 * 3600), pytest.approx(25 * 3600), 1),
        ("loft-trap", "fault", 2, 50, 30, 0),
        ("loft", "controller lost", 1, 30, 30, 0),
    ]
    (groups,) = section(ledger, capsys, "groups")
    assert (groups["groups"], groups["guests"]) == (2, 10)
    assert groups["guests_per_hour"] == pytest.approx(10 / 25)
    (alarm,) = section(ledger, capsys, "alarms")
    assert (alarm["alarm"], alarm["times"], alarm["in_ten_minutes"]) == ("late", 5, 3)
    (rate,) = section(ledger, capsys, "alarm_rate")
    assert (rate["alarms"], rate["in_ten_minutes"]) == (5, 3)
    assert rate["alarms_per_hour"] == pytest.approx(5 / 25)
    (refused,) = section(ledger, capsys, "refused")
    assert (refused["action"], refused["checks"]) == ("fire", "rested, armed")
    (tag,) = section(ledger, capsys, "tags")
    assert (tag["owner"], tag["text"]) == ("Ada", "hinge")
    out, back = sorted(section(ledger, capsys, "motions"), key=lambda r: r["direction"] == "back")
    assert out["slowest_ms"] == 316
    assert back["mean_ms"] == 500


def test_a_tag_from_before_keeps_its_prop_out(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A prop that was tagged when the night opened is out until somebody lifts the tag."""
    with Ledger.open(ledger) as opened:
        opened.append([NightOpened(ns(2027, 11, 5, 18), "Bo", "2027-11-05")])
        opened.append([EventEntry("untag", "loft-trap", {}, ns(2027, 11, 5, 19), "Ada")])
        opened.append([NightClosed(ns(2027, 11, 5, 20), "Bo")])
        opened.append([NightOpened(ns(2027, 11, 6, 18), "Bo", "2027-11-06")])
        opened.append([NightClosed(ns(2027, 11, 6, 20), "Bo")])
    (out,) = section(ledger, capsys, "away", "--night", "2027-11-05")
    assert (out["subject"], out["why"], out["away_s"], out["not_back"]) == (
        "loft-trap", "tagged", 3600, 0,
    )  # fmt: skip
    assert section(ledger, capsys, "away", "--night", "2027-11-06") == []


@pytest.mark.parametrize(
    ("words", "nights", "cycles"),
    [
        (["--night", "2027-10-30"], 1, 6),
        (["--from", "2027-10-29", "--to", "2027-10-30"], 2, 16),
        (["--season", "2027"], 2, 16),
    ],
)
def test_a_night_a_range_and_a_season_hold_the_same(
    ledger: Path, capsys: pytest.CaptureFixture[str], words: list[str], nights: int, cycles: int
) -> None:
    """Everything that happened in the second night stands in each of them, summed over nights."""
    found = json.loads(report(ledger, capsys, "--format", "json", *words))["sections"]
    rows = {name: one["rows"] for name, one in found.items()}
    assert len(rows["nights"]) == nights
    assert rows["cycles"][0]["cycles"] == cycles == sum(r["cycles"] for r in rows["hours"])
    assert sum(r["strokes"] for r in rows["motions"]) == 2 * cycles
    assert [(r["reason"], r["missed"]) for r in rows["missed"]] == [("resting", 1)]
    assert [(r["kind"], r["who"], r["times"]) for r in rows["by_hand"]] == [("fire", "Bo", 1)]
    assert [r["cleared_by"] for r in rows["stops"]] == ["Bo"]
    assert [(r["why"], r["losses"]) for r in rows["away"]] == [
        ("tagged", 1), ("fault", 2), ("controller lost", 1),
    ]  # fmt: skip
    assert [(r["kind"], r["times"]) for r in rows["faults"]] == [("fault", 2)]
    assert [r["alarms"] for r in rows["alarm_rate"]] == [5]
    assert [r["text"] for r in rows["notes"]] == [HOSTILE]
    assert [r["guests"] for r in rows["groups"]] == [10]


def test_every_section_can_be_traced(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The query that a section names gives the same figures in a bare SQL shell."""
    whole = json.loads(report(ledger, capsys, "--format", "json", "--season", "2027"))
    with sqlite3.connect(ledger) as database:
        for name, found in whole["sections"].items():
            rows = database.execute(found["query"]).fetchall()
            said = report(ledger, capsys, "--season", "2027", "--query", name).strip()
            if "how" in found:
                assert said.startswith(f"{found['query']}\n-- "), name
            else:
                assert len(rows) == len(found["rows"]), name
                assert said == found["query"]


def test_csv_is_read_back_with_types_and_zones(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """pandas reads numbers as numbers and times with their zone from the CSV."""
    text = report(ledger, capsys, "--season", "2027", "--format", "csv", "--section", "nights")
    frame = pd.read_csv(io.StringIO(text), parse_dates=["opened", "closed"])
    assert isinstance(frame["opened"].dtype, pd.DatetimeTZDtype)
    assert frame["cycles"].tolist() == [10, 6]
    hours = (frame["closed"] - frame["opened"]).dt.total_seconds() / 3600
    assert hours.tolist() == [5, 25]


def test_json_is_read_back_with_types(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """pandas makes a table of a section of the JSON, with times in UTC."""
    frame = pd.json_normalize(section(ledger, capsys, "missed"))
    when = pd.to_datetime(frame["last"])
    assert str(when.dt.tz) == "UTC"
    assert frame["missed"].dtype.kind == "i"


class _Page(HTMLParser):
    """Collects what a browser would act on."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [v or "" for k, v in attrs if k in {"src", "href", "action", "data"}]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_html_is_whole_and_asks_for_nothing(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The page has every section, no script, and no address but an empty icon."""
    page = _Page()
    page.feed(report(ledger, capsys, "--format", "html"))
    assert "script" not in page.tags
    assert set(page.addresses) == {"data:,"}
    assert "svg" in page.tags
    assert HOSTILE in page.text
    for one in SECTIONS:
        assert one.title in page.text


def test_text_and_markdown_hold_every_section(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both name every section, and Markdown makes no markup of foreign text."""
    for form in ("text", "md"):
        text = report(ledger, capsys, "--format", form)
        assert all(one.title in text for one in SECTIONS)
    assert "<script>" not in text
    assert "\\[bold\\]" in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--night", "2001-01-01"], "no night 2001-01-01"),
        (["--season", "1999"], "no night in 1999"),
        (["--from", "soon"], "'soon' is no date"),
        (["--query", "weather"], "no section weather"),
        (["--section", "cycles"], "goes with --format csv"),
    ],
)
def test_wrong_words_get_one_message(
    ledger: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    """What cannot be answered exits with 2 and says what there is."""
    assert main(["report", "--ledger", str(ledger), *words]) == 2
    assert told in capsys.readouterr().err


def test_written_to_a_file(ledger: Path, tmp_path: Path) -> None:
    """-o writes the file, and never over the ledger."""
    target = tmp_path / "night.html"
    assert main(["report", "--ledger", str(ledger), "--format", "html", "-o", str(target)]) == 0
    assert target.read_text("utf-8").startswith("<!doctype html>")
    assert main(["report", "--ledger", str(ledger), "-o", str(ledger)]) == 2
