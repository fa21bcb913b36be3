"""What one append leaves behind: nights, rollups, meters, and the order of arrival."""

from __future__ import annotations

import os
import sqlite3
import time
from collections import Counter as Tally
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.ledger.entries import (
    BootMap,
    CycleEntry,
    Entry,
    EventEntry,
    MissedTrigger,
    NightClosed,
    NightOpened,
    ServiceEntry,
    StrokeMeters,
)
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
from console.ledger.rows import Filter

MakeCycle = Callable[..., CycleEntry]
HOUR_NS = 3600 * 10**9


@pytest.fixture
def reader(ledger: Ledger, path: Path) -> Iterator[Reader]:
    """A reader beside the open ledger."""
    with Reader.open(path) as opened:
        yield opened


@pytest.fixture
def new_york() -> Iterator[None]:
    """The machine stands in New York."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "America/New_York"
    time.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


def test_a_night_of_25_hours_stays_in_order(
    new_york: None, ledger: Ledger, reader: Reader, cycle: MakeCycle, evening_ns: int
) -> None:
    """From 18:00 on 31 October 2026 to 18:00 on 1 November New York has 25 hours, all kept.

    US law ends summer time at 2:00 on the first Sunday of November (15 U.S.C. 260a): 2026-11-01
    01:30 comes twice.
    """
    ledger.append([NightOpened(evening_ns, "Ines")])
    for quarter in range(100):
        at = evening_ns + quarter * HOUR_NS // 4
        ledger.append([cycle(quarter + 1, started_wall_ns=at)])
    ledger.append([NightClosed(evening_ns + 25 * HOUR_NS, "Ines")])
    (night,) = reader.nights()
    assert night.date == "2026-10-31"
    assert night.closed_ns is not None
    assert night.closed_ns - night.opened_ns == 25 * HOUR_NS
    assert night.cycles == 100
    local = [time.strftime("%H:%M", time.localtime(c.started_ns // 10**9)) for c in reader.cycles()]
    assert local.count("01:30") == 2
    assert [c.number for c in reader.cycles()] == list(range(1, 101))


def test_a_clock_set_back_reorders_nothing(
    ledger: Ledger, reader: Reader, cycle: MakeCycle, evening_ns: int
) -> None:
    """The clock jumps back by two hours in mid-night: order and night stay those of arrival."""
    ledger.append([NightOpened(evening_ns, "Ines", "2026-10-31")])
    walls = [evening_ns + HOUR_NS // 2, evening_ns - 3 * HOUR_NS // 2, evening_ns - HOUR_NS]
    for number, wall in enumerate(walls, start=1):
        ledger.append([cycle(number, started_wall_ns=wall)])
    assert [c.started_ns for c in reader.cycles()] == walls
    assert {c.night_id for c in reader.cycles()} == {1}
    assert reader.counts(1)["brine-lid"].last_ns == walls[-1]


def test_a_cycle_fetched_a_night_late_counts_for_its_own_night(
    ledger: Ledger, reader: Reader, cycle: MakeCycle, evening_ns: int
) -> None:
    """A board that was unplugged over closing time hands in its cycles the next evening."""
    ledger.append([NightOpened(evening_ns, "Ines", "2026-10-31")])
    ledger.append([NightClosed(evening_ns + 4 * HOUR_NS, "Ines")])
    ledger.append([NightOpened(evening_ns + 24 * HOUR_NS, "Tomas", "2026-11-01")])
    ledger.append([cycle(1, started_wall_ns=evening_ns + HOUR_NS)])
    missed = MissedTrigger("ICE2", "brine-lid", "sensor", "resting", evening_ns + HOUR_NS, 0xB0, 1)
    ledger.append([missed])
    ledger.append([cycle(2, started_wall_ns=evening_ns + 25 * HOUR_NS)])
    assert [(n.cycles, n.missed) for n in reader.nights()] == [(1, 1), (1, 0)]


def test_what_happens_between_nights_belongs_to_none(
    ledger: Ledger, reader: Reader, cycle: MakeCycle
) -> None:
    """A test cycle in the afternoon is kept, outside of every night."""
    ledger.append([cycle(1, trigger="test")])
    assert [c.date for c in reader.cycles(Filter(nights=(0,)))] == [""]
    assert reader.counts(0)["brine-lid"].by_trigger == {"test": 1}
    assert reader.nights() == []


def test_a_night_survives_its_engine(path: Path, cycle: MakeCycle, evening_ns: int) -> None:
    """A night that nobody closed is still open for the next engine, which goes on in it."""
    with Ledger.open(path) as first:
        first.append([NightOpened(evening_ns, "Ines", "2026-10-31")])
    with Ledger.open(path) as second:
        night = second.open_night()
        assert night is not None
        assert (night.night_id, night.date, night.by) == (1, "2026-10-31", "Ines")
        done = second.append([cycle(1)])
        assert done.night == night


def test_opening_a_night_ends_one_left_open(ledger: Ledger, reader: Reader) -> None:
    """Two openings without a closing make two nights, the first marked as left open."""
    ledger.append([NightOpened(10, "Ines", "2026-10-30"), NightOpened(20, "Tomas", "2026-10-31")])
    first, second = reader.nights()
    assert (first.closed_ns, first.left_open, first.closed_by) == (20, True, "Tomas")
    assert (second.closed_ns, second.left_open) == (None, False)
    ledger.append([NightClosed(30, "Tomas"), NightClosed(31, "Tomas")])
    assert reader.nights()[1].closed_ns == 30
    assert ledger.open_night() is None


def test_arrival_numbers_run_over_all_kinds_and_all_runs(
    path: Path, cycle: MakeCycle, evening_ns: int
) -> None:
    """Rows of different tables, sorted by arrival, give back the order in which they came."""
    entries: list[Entry] = [
        NightOpened(evening_ns, "Ines"),
        cycle(1),
        EventEntry("armed", "brine-lid", {}, evening_ns - HOUR_NS, "Ines"),
        cycle(2),
        MissedTrigger("ICE2", "brine-lid", "sensor", "resting", evening_ns),
        EventEntry("all-stop", "site", {}, evening_ns + 5, "Ines"),
    ]
    for entry in entries:
        with Ledger.open(path) as ledger:
            ledger.append([entry])
    with Reader.open(path) as reader:
        arrived = [(c.seq, "cycle") for c in reader.cycles()]
        arrived += [(m.seq, "missed") for m in reader.missed()]
        arrived += [(e.seq, e.kind) for e in reader.events()]
    assert [kind for _, kind in sorted(arrived)] == [
        "cycle", "armed", "cycle", "missed", "all-stop",
    ]  # fmt: skip
    assert [seq for seq, _ in sorted(arrived)] == [2, 3, 4, 5, 6]


def test_a_repeated_report_of_a_board_is_stored_once(
    ledger: Ledger, reader: Reader, evening_ns: int
) -> None:
    """Missed triggers and events repeat until seen; what the engine notes itself never does."""
    missed = MissedTrigger("ICE2", "brine-lid", "sensor", "resting", evening_ns, 0xB0, 4)
    event = EventEntry("late", "brine-lid", {"output": 2}, evening_ns, "", "ICE2", 0xB0, 5)
    own = EventEntry("armed", "brine-lid", {}, evening_ns, "Ines")
    done = ledger.append([missed, missed, event, own])
    assert (done.stored, done.duplicates) == (3, 1)
    done = ledger.append([missed, event, own, replace(missed, boot=0xB1)])
    assert (done.stored, done.duplicates) == (2, 2)
    assert reader.counts()["brine-lid"].missed_by_reason == {"resting": 2}
    assert len(list(reader.events(Filter(kind="armed")))) == 2


def test_event_details_are_json_that_anyone_reads(ledger: Ledger, path: Path) -> None:
    """No NaN, no Python object: `json_valid` of SQLite holds for every detail."""
    detail = {"psi": float("nan"), "list": [1.5, float("inf")], "where": Path("a"), "ok": True}
    ledger.append([EventEntry("supply", "site", detail, 1)])
    with sqlite3.connect(path) as plain:
        valid, text = plain.execute("SELECT json_valid(detail), detail FROM events").fetchone()
    plain.close()
    assert valid == 1
    assert text == '{"psi":"nan","list":[1.5,"inf"],"where":"a","ok":true}'


def test_strokes_follow_the_motion_through_a_change_of_board(
    ledger: Ledger, reader: Reader, evening_ns: int
) -> None:
    """A motion keeps its strokes when a used board takes over, and no meter runs backwards."""
    for board, life, strokes in [("A", 1, 500), ("A", 1, 650), ("A", 1, 600), ("B", 2, 40)]:
        ledger.append([StrokeMeters(board, life, 3, strokes, evening_ns, "brine-lid", "lid")])
    assert reader.motion_strokes() == {("brine-lid", "lid"): 650}
    ledger.append([NightOpened(evening_ns, "Ines")])
    ledger.append([StrokeMeters("B", 2, 3, 60, evening_ns, "brine-lid", "lid")])
    assert reader.motion_strokes() == {("brine-lid", "lid"): 670}
    by_night = [(s.board, s.night_id, s.first_strokes, s.strokes) for s in reader.strokes()]
    assert by_night == [("A", 0, 500, 650), ("B", 0, 40, 40), ("B", 1, 40, 60)]


def test_service_restarts_the_count_and_keeps_the_history(
    ledger: Ledger, reader: Reader, cycle: MakeCycle, evening_ns: int
) -> None:
    """Cycles and strokes since the newest work on a part start again; older work stays."""
    work = ServiceEntry(
        "lid-valve", "brine-lid", "lid", "service", "Ines", "oiled", {"psi": 58}, evening_ns
    )
    ledger.append([StrokeMeters("ICE2", 1, 1, 100, evening_ns, "brine-lid", "lid")])
    ledger.append([cycle(n) for n in range(1, 11)])
    ledger.append([work])
    ledger.append([cycle(n) for n in range(11, 14)])
    ledger.append([StrokeMeters("ICE2", 1, 1, 106, evening_ns, "brine-lid", "lid")])
    (part,) = reader.parts()
    assert (part.cycles_since, part.strokes_since) == (3, 6)
    assert (part.last.prop_cycles, part.last.strokes) == (10, 100)
    ledger.append([replace(work, kind="replaced", note="new seal")])
    (part,) = reader.parts()
    assert (part.cycles_since, part.strokes_since) == (0, 0)
    assert [row.kind for row in reader.service(part="lid-valve")] == ["service", "replaced"]
    assert reader.service(prop="brine-lid")[0].readings == {"psi": 58}
    assert reader.service(prop="other") == []


def test_a_part_that_belongs_to_no_motion_counts_cycles_only(
    ledger: Ledger, reader: Reader, cycle: MakeCycle
) -> None:
    """A hinge wears by cycles; nobody counts its strokes."""
    ledger.append([ServiceEntry("hinge", "brine-lid", "", "replaced", "Ines", "", {}, 5), cycle(1)])
    (part,) = reader.parts()
    assert (part.cycles_since, part.strokes_since, part.last.prop_cycles) == (1, None, 0)


def test_the_newest_clock_mapping_of_each_boot_is_kept(path: Path) -> None:
    """After a restart the engine can still date what a board measured in an earlier boot."""
    with Ledger.open(path) as ledger:
        ledger.append([BootMap("A", 1, 100, 10**9, 5.0), BootMap("A", 2, 50, 2 * 10**9, 5.0)])
        ledger.append([BootMap("A", 1, 900, 18 * 10**8, 2.5), BootMap("B", 1, 1, 1, 9.0)])
    with Ledger.open(path) as ledger:
        assert ledger.latest_boot_maps() == {
            ("A", 1): BootMap("A", 1, 900, 18 * 10**8, 2.5),
            ("A", 2): BootMap("A", 2, 50, 2 * 10**9, 5.0),
            ("B", 1): BootMap("B", 1, 1, 1, 9.0),
        }


def test_a_batch_with_an_impossible_entry_leaves_nothing(
    ledger: Ledger, reader: Reader, cycle: MakeCycle
) -> None:
    """All of a batch is stored or none of it, and the next batch is none the worse."""
    with pytest.raises(OverflowError):
        ledger.append([cycle(1), cycle(2, board_ms=2**70)])
    assert list(reader.cycles()) == []
    assert ledger.known_counters() == {}
    assert ledger.append([cycle(1)]).last_seq == 1


_moves = st.lists(
    st.one_of(
        st.tuples(
            st.just("cycle"),
            st.integers(1, 30),
            st.sampled_from(["brine-lid", "loft-hatch"]),
            st.sampled_from(["sensor", "operator"]),
            st.sampled_from(["done", "stopped"]),
        ),
        st.tuples(
            st.just("missed"),
            st.integers(1, 9),
            st.sampled_from(["brine-lid", "loft-hatch"]),
            st.sampled_from(["resting", "disarmed"]),
            st.just(""),
        ),
        st.tuples(st.sampled_from(["open", "close"]), st.just(0), st.just(""), st.just(""),
                  st.just("")),
    ),
    max_size=40,
)  # fmt: skip


@given(moves=_moves)
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_rollups_equal_what_the_rows_add_up_to(
    moves: list[tuple[str, int, str, str, str]],
    tmp_path_factory: pytest.TempPathFactory,
    cycle: MakeCycle,
) -> None:
    """Counts kept beside the rows equal counts over the rows, per night and for life."""
    path = tmp_path_factory.mktemp("rollups") / "works.ledger"
    with Ledger.open(path) as ledger:
        for at, (kind, number, prop, word, outcome) in enumerate(moves):
            if kind == "cycle":
                entry: Entry = cycle(
                    number, prop=prop, trigger=word, outcome=outcome, started_wall_ns=at
                )
            elif kind == "missed":
                entry = MissedTrigger("ICE2", prop, "sensor", word, at, 1, number)
            else:
                entry = NightOpened(at, "Ines") if kind == "open" else NightClosed(at, "Ines")
            ledger.append([entry])
    with Reader.open(path) as reader:
        cycles, missed = list(reader.cycles()), list(reader.missed())
        for night_id in [None, 0, *(night.night_id for night in reader.nights())]:
            here = [c for c in cycles if night_id in (None, c.night_id)]
            not_here = [m for m in missed if night_id in (None, m.night_id)]
            counts = reader.counts(night_id)
            assert set(counts) == {row.prop for row in (*here, *not_here)}
            for prop, count in counts.items():
                own = [c for c in here if c.prop == prop]
                assert count.by_trigger == Tally(c.trigger for c in own)
                assert count.by_outcome == Tally(c.outcome for c in own)
                assert count.duration_ms == sum(c.duration_ms for c in own)
                assert count.last_ns == (own[-1].started_ns if own else None)
                reasons = Tally(m.reason for m in not_here if m.prop == prop)
                assert count.missed_by_reason == reasons
