"""Cycle numbers against a model that keeps nothing but sets."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.ledger.entries import BoardSeen, Counter, CycleEntry, Entry, GapEntry
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader

MakeCycle = Callable[..., CycleEntry]
_lives = itertools.count(1)


@dataclass
class Model:
    """What one row of numbers must look like, kept in the plainest way."""

    contact: int | None = None
    highest: int = 0
    stored: set[int] = field(default_factory=set)
    missing: dict[int, str] = field(default_factory=dict)

    def take(self, entry: Entry) -> None:
        match entry:
            case BoardSeen():
                self._begin(entry.number)
                self._miss(entry.number, "not-fetched")
            case CycleEntry():
                self._begin(entry.number - 1)
                self._miss(entry.number - 1, "not-fetched")
                self.highest = max(self.highest, entry.number)
                self.stored.add(entry.number)
                self.missing.pop(entry.number, None)
            case GapEntry():
                self._begin(entry.first - 1)
                self._miss(entry.first - 1, "not-fetched")
                self._miss(entry.last, entry.reason)
                for number in range(entry.first, entry.last + 1):
                    if number in self.missing:
                        self.missing[number] = entry.reason

    def _begin(self, contact: int) -> None:
        if self.contact is None:
            self.contact = self.highest = contact

    def _miss(self, until: int, reason: str) -> None:
        for number in range(self.highest + 1, until + 1):
            self.missing[number] = reason
        self.highest = max(self.highest, until)

    def counter(self) -> Counter:
        assert self.contact is not None
        below = sum(number <= self.contact for number in self.stored)
        return Counter(
            highest=self.highest,
            baseline=self.contact - below,
            stored=len(self.stored),
            gaps=len(self.missing),
            contact=self.contact,
        )


@pytest.fixture(scope="module")
def shared_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One ledger for all examples, which differ by the life of their board's memory."""
    return tmp_path_factory.mktemp("numbering") / "works.ledger"


@pytest.fixture(scope="module")
def shared(shared_path: Path) -> Iterator[Ledger]:
    """The shared ledger, open."""
    with Ledger.open(shared_path) as opened:
        yield opened


# (kind, number, span): 60 numbers are few enough to collide in every way.
_steps = st.lists(
    st.tuples(
        st.sampled_from(["cycle", "cycle", "cycle", "seen", "gap"]),
        st.integers(1, 60),
        st.integers(0, 12),
        st.booleans(),
    ),
    min_size=1,
    max_size=60,
)


def _entry(step: tuple[str, int, int, bool], life: int, cycle: CycleEntry) -> Entry:
    kind, number, span, _ = step
    if kind == "seen":
        return BoardSeen("ICE2", life, 1, number)
    if kind == "gap":
        return GapEntry("ICE2", life, 1, number, number + span, "forgotten")
    return CycleEntry(
        **{name: getattr(cycle, name) for name in cycle.__slots__}
        | {"life": life, "number": number, "board_ms": number}
    )


@given(steps=_steps)
@settings(max_examples=150, deadline=None)
def test_any_order_adds_up(
    steps: list[tuple[str, int, int, bool]],
    shared: Ledger,
    shared_path: Path,
    cycle_once: CycleEntry,
) -> None:
    """Baseline, stored cycles and open gaps equal the highest number, in any order of arrival."""
    life = next(_lives)
    model = Model()
    batch: list[Entry] = []
    for step in steps:
        entry = _entry(step, life, cycle_once)
        model.take(entry)
        batch.append(entry)
        if step[3]:
            shared.append(batch)
            batch = []
    shared.append(batch)
    counter = shared.known_counters()["ICE2", life, 1]
    assert counter == model.counter()
    assert counter.baseline + counter.stored + counter.gaps == counter.highest
    with Reader.open(shared_path) as reader:
        gaps = [gap for gap in reader.gaps() if gap.life == life]
    listed = [(n, gap.reason) for gap in gaps for n in range(gap.first, gap.last + 1)]
    assert listed == sorted(model.missing.items())


@pytest.fixture(scope="module")
def cycle_once() -> CycleEntry:
    """A cycle to copy from; one for all examples."""
    return CycleEntry(
        "ICE2", 1, 1, 1, "brine-lid", "burst", "sensor", 0, 1.0, 1, 1, 4000, (), "done"
    )


def test_what_a_board_counted_before_is_a_baseline(ledger: Ledger, cycle: MakeCycle) -> None:
    """A board that comes with 812 cycles and holds its newest three leaves no gap."""
    ledger.append([BoardSeen("ICE2", 0xA1, 1, 812)])
    done = ledger.append([cycle(810), cycle(811), cycle(812), cycle(813)])
    assert done.opened_gaps == ()
    assert ledger.known_counters()["ICE2", 0xA1, 1] == Counter(813, 809, 4, 0, 812)


def test_a_gap_tells_its_size_at_once(ledger: Ledger, cycle: MakeCycle) -> None:
    """The append that skips numbers says which, and a late record closes them one by one."""
    ledger.append([cycle(1)])
    done = ledger.append([cycle(5)])
    assert [(gap.first, gap.last) for gap in done.opened_gaps] == [(2, 4)]
    ledger.append([cycle(3)])
    assert ledger.known_counters()["ICE2", 0xA1, 1].gaps == 2
    ledger.append([cycle(2), cycle(4)])
    assert ledger.known_counters()["ICE2", 0xA1, 1] == Counter(5, 0, 5, 0, 0)


def test_a_formatted_memory_starts_a_row_of_its_own(ledger: Ledger, cycle: MakeCycle) -> None:
    """The same numbers under a new life id are new cycles, and the old row stays as it was."""
    ledger.append([cycle(1), cycle(2)])
    done = ledger.append([cycle(1, life=0xA2)])
    assert done.stored == 1
    known = ledger.known_counters()
    assert known["ICE2", 0xA1, 1].stored == 2
    assert known["ICE2", 0xA2, 1] == Counter(1, 0, 1, 0, 0)


def test_the_same_cycle_twice_is_stored_once(ledger: Ledger, path: Path, cycle: MakeCycle) -> None:
    """A repeated record is acknowledged again and counted nowhere, in one batch or in two."""
    first = ledger.append([cycle(1), cycle(1)])
    again = ledger.append([cycle(1)])
    assert (first.stored, first.duplicates) == (1, 1)
    assert (again.stored, again.duplicates, again.conflicts) == (0, 1, 0)
    with Reader.open(path) as reader:
        assert reader.counts()["brine-lid"].cycles == 1
        assert len(list(reader.cycles())) == 1


def test_a_number_used_twice_for_different_cycles_is_kept_as_an_event(
    ledger: Ledger, path: Path, cycle: MakeCycle
) -> None:
    """A board whose memory was copied says two things under one number; neither is lost."""
    ledger.append([cycle(7)])
    done = ledger.append([cycle(7, board_ms=99, boot=0xB1)])
    assert done.conflicts == 1
    with Reader.open(path) as reader:
        (event,) = reader.events()
        assert event.kind == "conflict"
        assert event.detail["number"] == 7
        assert event.detail["given"] == [0xB1, 99, 4000, "sensor", "done"]
        assert next(reader.cycles()).boot == 0xB0


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: BoardSeen("ICE2", 1, 1, -1),
        lambda: GapEntry("ICE2", 1, 1, 5, 4, "lost"),
        lambda: GapEntry("ICE2", 1, 1, 0, 4, "lost"),
    ],
)
def test_impossible_numbers_are_refused_where_they_are_made(wrong: Callable[[], object]) -> None:
    """Numbers below their range never reach the ledger."""
    with pytest.raises(ValueError, match="no "):
        wrong()


def test_cycles_count_from_one(cycle: MakeCycle) -> None:
    """Number 0 is no cycle."""
    with pytest.raises(ValueError, match="from 1"):
        cycle(0)
