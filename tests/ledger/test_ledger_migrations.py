"""Ledgers of every version that there ever was come up to date with nothing lost."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from console.errors import UserError
from console.ledger.entries import Travel
from console.ledger.ledger import Ledger
from console.ledger.migrations import KNOWN_VERSION, migrate, version_of
from console.ledger.reader import Reader
from console.ledger.schema import STEPS

VERSIONS = Path(__file__).parent / "versions"
"""One dump for each version, written by the program of that version and never changed after."""


def _schema(path: Path) -> list[tuple[str, ...]]:
    with sqlite3.connect(path) as connection:
        rows = connection.execute(
            "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name"
        ).fetchall()
    connection.close()
    return [(*row[:3], " ".join((row[3] or "").split())) for row in rows]


def _load(version: int, path: Path) -> None:
    dump = (VERSIONS / f"schema-{version}.sql").read_text(encoding="utf-8")
    with sqlite3.connect(path) as connection:
        connection.executescript(dump)
    connection.close()


@pytest.mark.parametrize("version", range(1, KNOWN_VERSION + 1))
@pytest.mark.parametrize("opened", [Ledger.open, Reader.open], ids=["writing", "reading"])
def test_an_old_ledger_comes_up_to_date(version: int, opened: object, tmp_path: Path) -> None:
    """Opened for writing or only for reading, it has the schema of a new one and all its rows."""
    old, fresh = tmp_path / "old.ledger", tmp_path / "fresh.ledger"
    _load(version, old)
    opened(old).close()  # type: ignore[operator]
    Ledger.open(fresh).close()
    assert _schema(old) == _schema(fresh)
    with Reader.open(old) as reader:
        first, last = reader.nights()
        assert (first.date, first.cycles, first.missed, first.left_open) == (
            "2026-10-30",
            3,
            1,
            False,
        )
        assert (last.date, last.closed_ns) == ("2026-10-31", None)
        cycles = list(reader.cycles())
        assert [(c.prop, c.number) for c in cycles] == [
            ("brine-lid", 41), ("brine-lid", 42), ("loft-hatch", 7), ("brine-lid", 45),
        ]  # fmt: skip
        assert cycles[0].travels == (Travel("lid", "out", 340), Travel("lid", "back", 410))
        assert [(g.first, g.last, g.reason) for g in reader.gaps()] == [(43, 44, "overwritten")]
        assert [e.kind for e in reader.events()] == ["all-stop"]
        assert [(p.last.part, p.cycles_since, p.strokes_since) for p in reader.parts()] == [
            ("lid-valve", 1, 2)
        ]
        assert all(c.baseline + c.stored + c.gaps == c.highest for c in reader.counters().values())


def test_a_step_that_fails_leaves_the_version_before(tmp_path: Path) -> None:
    """Half a step is none: the next program finds a ledger that it knows."""
    path = tmp_path / "works.ledger"
    Ledger.open(path).close()
    before = _schema(path)
    connection = sqlite3.connect(path, isolation_level=None)
    broken = (*STEPS, ("CREATE TABLE extra (id INTEGER)", "SELECT nonsense"))
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, "works", broken)
    assert version_of(connection) == KNOWN_VERSION
    connection.close()
    assert _schema(path) == before


def test_a_further_step_runs_once_and_is_then_refused_by_older_programs(tmp_path: Path) -> None:
    """The next version's step changes the schema and the number together."""
    path = tmp_path / "works.ledger"
    Ledger.open(path).close()
    connection = sqlite3.connect(path, isolation_level=None)
    longer = (*STEPS, ("CREATE TABLE extra (id INTEGER)",))
    assert migrate(connection, "works", longer) == KNOWN_VERSION
    assert migrate(connection, "works", longer) == KNOWN_VERSION + 1
    with pytest.raises(UserError, match="newer sexton"):
        migrate(connection, "works", STEPS)
    connection.close()


def test_a_version_below_nothing_is_damage(tmp_path: Path) -> None:
    """A number that no program writes is refused, not counted back from the newest step."""
    path = tmp_path / "works.ledger"
    Ledger.open(path).close()
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA user_version = -3")
    with pytest.raises(UserError, match="damaged"):
        migrate(connection, "works")
    connection.close()
