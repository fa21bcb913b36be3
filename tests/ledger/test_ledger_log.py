"""`sexton log`, read back by programs that know nothing of Sexton."""

from __future__ import annotations

import csv
import fcntl
import io
import itertools
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from console.cli import main
from console.ledger.entries import (
    CycleEntry,
    EventEntry,
    GapEntry,
    MissedTrigger,
    NightClosed,
    NightOpened,
    ServiceEntry,
)
from console.ledger.finding import default_ledger
from console.ledger.ledger import Ledger
from console.places import engine_folder, slug_of

MakeCycle = Callable[..., CycleEntry]
HOUR_NS = 3600 * 10**9


@pytest.fixture
def in_london(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The machine stands in London."""
    monkeypatch.setenv("TZ", "Europe/London")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user with an empty data folder and no engine."""
    for variable, name in (("SEXTON_DATA", "data"), ("XDG_RUNTIME_DIR", "run")):
        folder = tmp_path / name
        folder.mkdir(mode=0o700)
        monkeypatch.setenv(variable, str(folder))
    return tmp_path


@pytest.fixture
def night(path: Path, cycle: MakeCycle) -> Path:
    """The night in which summer time ends in London, a cycle every ten minutes, and more."""
    # 2026-10-24 21:00 UTC is 22:00 in London; at 01:00 UTC on the 25th the clocks go back
    # (Summer Time Act 1972 as amended: the last Sunday of October at 01:00 GMT).
    opened = int(datetime(2026, 10, 24, 21, tzinfo=UTC).timestamp()) * 10**9
    with Ledger.open(path) as ledger:
        ledger.append([cycle(1, trigger="test", started_wall_ns=opened - HOUR_NS)])
        ledger.append([NightOpened(opened, "Ines")])
        for n in range(2, 32):
            at = opened + (n - 2) * 600 * 10**9 + 123_456_789
            outcome = "stopped" if n == 9 else "done"
            ledger.append([cycle(n, started_wall_ns=at, outcome=outcome)])
        ledger.append([cycle(34, prop="loft-hatch", prop_index=2, travels=())])
        ledger.append([GapEntry("ICE2", 0xA1, 2, 35, 36, "overwritten", opened)])
        ledger.append([MissedTrigger("ICE2", "brine-lid", "sensor", "resting", opened)])
        ledger.append(
            [EventEntry("armed", "brine-lid", {"by": "\x1b[31mkey"}, opened, "Ines, jr.")]
        )
        ledger.append(
            [ServiceEntry("lid-valve", "brine-lid", "lid", "service", "Ines", "a\nb", {}, opened)]
        )
        ledger.append([NightClosed(opened + 6 * HOUR_NS, "Ines")])
    return path


def _log(*words: str | Path) -> int:
    return main(["log", *map(str, words)])


def test_csv_reads_back_with_types_and_zone(
    in_london: None, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every cycle is there once, in order, its time exact, through the doubled hour."""
    assert _log("--ledger", night, "--csv", "--night", "2026-10-24", "--prop", "brine-lid") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [int(row["number"]) for row in rows] == list(range(2, 32))
    times = [datetime.fromisoformat(row["started"]) for row in rows]
    assert all(t.utcoffset() == timedelta(0) for t in times)
    assert {b - a for a, b in itertools.pairwise(times)} == {timedelta(minutes=10)}
    assert [int(row["started_ns"]) // 1000 for row in rows] == [
        round((t - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1)) for t in times
    ]
    assert rows[0]["travels"] == "lid out 340; lid back 410"
    assert {row["night"] for row in rows} == {"2026-10-24"}


def test_json_reads_back_with_types(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Numbers are numbers, travels are objects, and every row has the same keys."""
    assert _log("--ledger", night, "--json") == 0
    rows = json.loads(capsys.readouterr().out)
    assert len(rows) == 32
    assert len({tuple(row) for row in rows}) == 1
    assert rows[1]["travels"][0] == {"motion": "lid", "direction": "out", "ms": 340}
    assert isinstance(rows[1]["bound_ms"], float)
    assert isinstance(rows[1]["duration_ms"], int)
    assert rows[0]["night"] == ""


def test_the_table_tells_the_doubled_hour_apart(
    in_london: None, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """01:00 comes twice, once at +0100 and once at +0000."""
    assert _log("--ledger", night, "--night", "last", "--prop", "brine-lid") == 0
    lines = capsys.readouterr().out.splitlines()
    at_one = [line for line in lines if " 01:00:00.123 " in line]
    assert ["+0100" in at_one[0], "+0000" in at_one[1], len(at_one)] == [True, True, 2]
    assert lines[0].split()[:3] == ["night", "started", "prop"]


@pytest.mark.parametrize("show", ["cycles", "missed", "events", "nights", "gaps", "service"])
@pytest.mark.parametrize("form", ["table", "csv", "json"])
def test_everything_can_be_shown_in_every_form(
    show: str, form: str, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each kind of row has a table without control characters, CSV and JSON of equal length."""
    expected = {"cycles": 32, "missed": 1, "events": 1, "nights": 1, "gaps": 1, "service": 1}[show]
    flags = [] if form == "table" else [f"--{form}"]
    assert _log("--ledger", night, "--show", show, *flags) == 0
    out = capsys.readouterr().out
    if form == "table":
        assert len(out.splitlines()) == 1 + expected
        assert all(c.isprintable() for c in out.replace("\n", ""))
    elif form == "csv":
        assert len(list(csv.DictReader(io.StringIO(out)))) == expected
    else:
        assert len(json.loads(out)) == expected


@pytest.mark.parametrize(
    ("words", "count"),
    [
        (["--night", "none"], 1),
        (["--night", "1"], 31),
        (["--outcome", "stopped"], 1),
        (["--prop", "loft-hatch", "--outcome", "done"], 1),
        (["--last", "5"], 5),
        (["--last", "0"], 32),
    ],
)
def test_filters(
    words: list[str], count: int, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Night, prop, outcome and number of rows."""
    assert _log("--ledger", night, "--json", *words) == 0
    assert len(json.loads(capsys.readouterr().out)) == count


@pytest.mark.parametrize(
    ("words", "message", "hint"),
    [
        (["--prop", "brine-lud"], "no prop brine-lud", "Did you mean brine-lid?"),
        (["--prop", "xyz"], "no prop xyz", "brine-lid, loft-hatch"),
        (["--outcome", "dome"], "no outcome dome", "Did you mean done?"),
        (["--night", "2026-10-25"], "no night 2026-10-25", "2026-10-24"),
        (["--show", "missed", "--outcome", "done"], "cycles only", "--show cycles"),
    ],
)
def test_wrong_names_get_a_remedy(
    words: list[str], message: str, hint: str, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A name that the ledger never heard of is said, with what it has, and exit code 2."""
    assert _log("--ledger", night, *words) == 2
    said = capsys.readouterr().err.splitlines()
    assert message in said[0]
    assert hint in said[1]


def test_a_file_appears_whole_or_not_at_all(
    night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """-o writes beside and renames; the ledger itself, folders and bad places are refused."""
    target = tmp_path / "night.csv"
    target.write_text("older")
    assert _log("--ledger", night, "--csv", "-o", target) == 0
    assert target.read_bytes().count(b"\r\n") == 33
    for wrong in (night, tmp_path, tmp_path / "nowhere" / "a.csv"):
        assert _log("--ledger", night, "--csv", "-o", wrong) == 2
        assert str(wrong) in capsys.readouterr().err
    assert {p.name for p in tmp_path.iterdir()} == {
        "night.csv", "works.ledger", "works.ledger-writer",
    } | {p.name for p in tmp_path.glob("works.ledger-*")}  # fmt: skip


def test_a_reader_of_the_output_may_leave_early(night: Path) -> None:
    """`sexton log | head -1` says nothing on stderr."""
    done = subprocess.run(
        f"{sys.executable} -m console.cli log --ledger {night} --json | head -1",
        shell=True,
        capture_output=True,
        text=True,
    )
    assert done.stdout.splitlines() == ["["]
    assert done.stderr == ""


def test_the_only_ledger_is_meant(
    home: Path, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a name: none is said, one is read, of several all are listed; demos do not count."""
    assert _log() == 2
    assert "there is no ledger" in capsys.readouterr().err
    data = home / "data"
    (data / "works-1.ledger").write_bytes(night.read_bytes())
    (data / "demo-works-2.ledger").write_bytes(night.read_bytes())
    assert _log("--show", "nights") == 0
    assert "2026-10-24" in capsys.readouterr().out
    (data / "works-3.ledger").write_bytes(night.read_bytes())
    assert _log() == 2
    said = capsys.readouterr().err
    assert "2 ledgers" in said
    assert "works-3.ledger" in said


def test_a_site_names_its_ledger(
    home: Path, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A site file stands for the ledger that its engine keeps."""
    site = home / "works.yaml"
    assert _log(site) == 2
    assert "there is no file" in capsys.readouterr().err
    site.touch()
    assert _log(site) == 2
    assert "there is no ledger at" in capsys.readouterr().err
    default_ledger(slug_of(site)).write_bytes(night.read_bytes())
    assert _log(site, "--show", "nights") == 0
    assert "2026-10-24" in capsys.readouterr().out


def test_a_running_engine_names_its_ledger(
    home: Path, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While an engine lives its ledger is meant, wherever it lies; afterwards it is not."""
    site = home / "works.yaml"
    site.touch()
    folder = engine_folder(slug_of(site))
    folder.folder.mkdir(parents=True)
    folder.lock.write_text(json.dumps({"pid": os.getpid(), "ledger": str(night)}))
    with folder.lock.open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert _log("--show", "nights") == 0
        assert _log(site, "--show", "nights") == 0
    assert capsys.readouterr().out.count("2026-10-24") >= 2
    assert _log("--show", "nights") == 2


def test_help_has_examples(capsys: pytest.CaptureFixture[str]) -> None:
    """The help of the command shows how it is used."""
    with pytest.raises(SystemExit) as ended:
        _log("--help")
    assert ended.value.code == 0
    assert "sexton log my-site.yaml" in capsys.readouterr().out
