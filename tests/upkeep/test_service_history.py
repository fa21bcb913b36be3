"""Work on record: corrected, undone, exchanged and noted late, with nothing ever rewritten."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.errors import UserError
from console.ledger.correcting import settled
from console.ledger.entries import RunTime, ServiceEntry, ServiceKind, Surroundings
from console.ledger.ledger import Ledger
from console.ledger.rows import ServiceRow
from console.ledger.upkeep import UpkeepReader
from console.ledger.working import entry_of
from console.site.fittings import find, fittings
from console.upkeep.history import History
from tests.proof.wearing_site import SECOND_NS, Book, make_site, opens_ns, site_text

HOUR_NS = 3600 * SECOND_NS
FIRST = dt.date(2027, 9, 3)
SERVICE = """\
  oil: {title: Oil the rod, part: cylinder, strokes: 1000, hours: 40 h, nights: 6}
  seal: {title: New seals, part: cylinder, strokes: 9000}
  drain: {title: Drain the tank, nights: 1, damp_hours: 5 h}"""


def play(book: Book, nights: int, start: int = 0) -> None:
    """Nights of four hours in which every prop does 100 cycles and 200 strokes."""
    for number in range(start, start + nights):
        opened = book.open_night(FIRST + dt.timedelta(days=number))
        for prop in ("prop-1", "prop-2"):
            book.write(
                book.cycle(prop, opened + at * 144 * SECOND_NS, 500, 700) for at in range(100)
            )
            book.write([book.stroke(prop, 200, opened + 4 * HOUR_NS - SECOND_NS)])
            book.write([RunTime("armed", prop, 4 * 3_600_000, opened + 4 * HOUR_NS)])
        book.close_night(opened + 4 * HOUR_NS)


class Shop:
    """A site, its ledger, and the look of upkeep on both."""

    def __init__(self, folder: Path) -> None:
        nights = [(FIRST + dt.timedelta(days=n), 4) for n in range(30)]
        self.site = make_site(folder, site_text(2, nights, service=SERVICE))
        self.fittings = fittings(self.site)
        self.book = Book(folder / "works.ledger")

    def say(self, part: str, kind: str, at_ns: int, **other: object) -> int:
        """Write an entry as the engine would; returns its number."""
        args: dict[str, object] = {"part": part, "kind": kind, "by": "Ines", **other}
        before = self.rows()
        self.book.ledger.append([entry_of(self.fittings, args, at_ns)])
        return min({row.seq for row in self.rows()} - {row.seq for row in before})

    def rows(self) -> list[ServiceRow]:
        """Every entry of work."""
        with UpkeepReader.open(self.book.path) as reader:
            return reader.service()

    def history(self, now_ns: int) -> History:
        """The history as of then."""
        with UpkeepReader.open(self.book.path) as reader:
            return History(self.site, self.fittings, reader, now_ns)

    def used(self, part: str, task: str, now_ns: int) -> tuple[int | None, int | None, int]:
        """(cycles, strokes, nights) since that upkeep."""
        used = self.history(now_ns).part(find(self.fittings, part)[0]).used[task]
        return used.cycles, used.strokes, used.nights


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    """Three nights have been."""
    made = Shop(tmp_path)
    play(made.book, 3)
    return made


def after(night: int, hours: float = 6) -> int:
    """So many hours after a night opened."""
    return opens_ns(FIRST + dt.timedelta(days=night)) + int(hours * HOUR_NS)


def test_a_service_restarts_the_count_of_what_was_done_alone(shop: Shop) -> None:
    """Oiling the rod says nothing about the seals; both count on from their own."""
    shop.say("prop-1/cylinder:oil", "service", after(2))
    play(shop.book, 2, 3)
    assert shop.used("prop-1/cylinder", "oil", after(4)) == (200, 400, 2)
    assert shop.used("prop-1/cylinder", "seal", after(4)) == (500, 1000, 5)
    assert shop.used("prop-2/cylinder", "oil", after(4)) == (500, 1000, 5)


def test_a_new_part_begins_at_nothing_and_the_old_one_stays_on_record(shop: Shop) -> None:
    """A replacement ends a life: with a failure, or without one where it was a precaution."""
    shop.say("prop-1/cylinder", "replaced", after(2))
    shop.say("prop-2/cylinder", "renewed", after(2))
    play(shop.book, 1, 3)
    history = shop.history(after(3))
    fitting = find(shop.fittings, "prop-1/cylinder")[0]
    part, life = history.part(fitting), history.life(fitting)
    assert (life.cycles, life.strokes, life.hours_h) == (100, 200, 4.0)
    assert part.used["seal"].strokes == 200
    assert [(e.fitting.prop, e.strokes, e.failed) for e in history.ended()] == [
        ("prop-1", 600, True),
        ("prop-2", 600, False),
    ]


def test_an_exchange_carries_both_lives_along(shop: Shop) -> None:
    """Parts that change places keep what they have done and what was done to them."""
    shop.say("prop-1/cylinder:oil", "service", after(2))
    play(shop.book, 1, 3)
    shop.say("prop-1/valve", "replaced", after(3))
    play(shop.book, 1, 4)
    shop.say("prop-1/cylinder", "moved", after(4), other="prop-2/cylinder")
    shop.say("prop-1/valve", "moved", after(4, 6.1), other="prop-2/valve")
    play(shop.book, 1, 5)
    assert shop.used("prop-2/cylinder", "oil", after(5)) == (300, 600, 3)
    assert shop.used("prop-1/cylinder", "oil", after(5)) == (600, 1200, 6)
    history = shop.history(after(5))
    lives = {
        part: history.life(find(shop.fittings, part)[0])
        for part in ("prop-1/valve", "prop-2/valve")
    }
    assert lives["prop-2/valve"].strokes == 400
    assert lives["prop-1/valve"].strokes == 1200
    assert lives["prop-2/valve"].hours_h == pytest.approx(8)
    assert not [e for e in history.ended() if e.fitting.kind == "cylinder"]


def test_taking_an_exchange_back_takes_both_ends_back(shop: Shop) -> None:
    """One entry, two places: they hold or fall together."""
    entry = shop.say("prop-1/valve", "moved", after(2), other="prop-2/valve")
    shop.say("prop-1/valve", "void", after(2), about=entry)
    assert settled(shop.rows()) == []
    assert len(shop.rows()) == 3


def test_a_correction_stands_in_place_and_nothing_is_lost(shop: Shop) -> None:
    """The wrong entry and the right one both stay; the counts follow the right one."""
    entry = shop.say("prop-1/cylinder", "replaced", after(2))
    play(shop.book, 1, 3)
    shop.say("prop-2/cylinder", "replaced", after(3), about=entry, done_wall_ns=after(2))
    assert shop.used("prop-1/cylinder", "seal", after(3)) == (400, 800, 4)
    assert shop.used("prop-2/cylinder", "seal", after(3)) == (100, 200, 1)
    again = shop.say("prop-2/cylinder", "void", after(3), about=entry)
    assert shop.used("prop-2/cylinder", "seal", after(3)) == (400, 800, 4)
    assert next(row.seq for row in shop.rows()) == entry
    assert [row.about for row in shop.rows()] == [None, entry, entry]
    assert again > entry


def test_work_noted_later_counts_from_when_it_was_done(shop: Shop) -> None:
    """Between nights exactly, within a night in the proportion of its cycles."""
    play(shop.book, 2, 3)
    shop.say("prop-1/cylinder:oil", "service", after(4), done_wall_ns=after(2))
    assert shop.used("prop-1/cylinder", "oil", after(4)) == (200, 400, 2)
    shop.say("prop-2/cylinder:oil", "service", after(4), done_wall_ns=after(3, 2) - SECOND_NS)
    cycles, strokes, nights = shop.used("prop-2/cylinder", "oil", after(4))
    assert cycles == 150
    assert strokes == 300
    assert nights == 1


def test_hours_come_from_what_was_armed_and_damp_hours_from_marked_nights(shop: Shop) -> None:
    """A night counts as damp once somebody said so; without a compressor's count, by its length."""
    drain = find(shop.fittings, "drain")[0]
    assert shop.history(after(2)).part(drain).used["drain"].damp_hours_h == 0
    shop.say("weather", "reading", after(1, 1), readings={"damp": 1, "temp_degf": 41.0})
    history = shop.history(after(2))
    assert history.part(drain).used["drain"].damp_hours_h == pytest.approx(4)
    oil = history.part(find(shop.fittings, "prop-1/cylinder")[0]).used["oil"]
    assert oil.hours_h == pytest.approx(12)
    assert history.part(drain).used["drain"].nights == 3


def test_the_second_schema_keeps_times_and_air(tmp_path: Path) -> None:
    """Running times add up within their night; surroundings are found by time."""
    path = tmp_path / "works.ledger"
    with Ledger.open(path) as ledger:
        for ms in (1000, 500):
            ledger.append([RunTime("running", "compressor", ms, 5)])
        ledger.append([Surroundings(10, 96.5, None), Surroundings(20, None, 41.0)])
        with pytest.raises(ValueError, match="nothing runs"):
            RunTime("armed", "x", -1, 0)
    with UpkeepReader.open(path) as reader:
        assert reader.run_times("running") == {"compressor": {0: 1500}}  # type: ignore[arg-type]
        assert [(a.psi, a.temp_degf) for a in reader.air(5, 20)] == [(96.5, None), (None, 41.0)]


@pytest.mark.parametrize(
    ("args", "message"),
    [
        ({"kind": "oiled"}, "no kind of work"),
        ({"kind": "void"}, "what did not happen"),
        ({"kind": "moved"}, "changed places"),
        ({"kind": "moved", "other": "prop-1/cylinder"}, "is a valve"),
        ({"kind": "moved", "other": "prop-1/valve"}, "with itself"),
        ({"kind": "service", "by": " "}, "nobody is named"),
        ({"kind": "service", "done_wall_ns": 10**20}, "future"),
        ({"kind": "service", "done_wall_ns": "now"}, "no time"),
        ({"kind": "service", "note": "x" * 401}, "over 400"),
        ({"kind": "service", "note": "a\x1b[2Jb"}, "control characters"),
        ({"kind": "service", "readings": [1]}, "no list of names"),
        ({"kind": "service", "about": True}, "no number"),
        ({"kind": "service", "part": ""}, "no part is named"),
    ],
)
def test_work_that_makes_no_sense_is_refused(
    shop: Shop, args: dict[str, object], message: str
) -> None:
    """Whatever a client sends, it is an entry that makes sense or a refusal that says why."""
    with pytest.raises(UserError, match=message):
        entry_of(shop.fittings, {"part": "prop-1/valve", "by": "Ines", **args}, after(2))


def _row(seq: int, kind: str, about: int | None) -> ServiceRow:
    return ServiceRow(
        seq, "valve", "p", "m", kind, "Ines", "", {}, seq, seq, seq, about=about, recorded_ns=seq
    )


@settings(max_examples=200)
@given(
    st.lists(
        st.tuples(st.sampled_from(["service", "replaced", "void"]), st.integers(-1, 8)), max_size=12
    )
)
def test_the_newest_correction_of_each_entry_holds(said: list[tuple[str, int]]) -> None:
    """Against a plain dictionary: first entries by number, the last word on each counts."""
    rows: list[ServiceRow] = []
    model: dict[int, str] = {}
    for seq, (kind, about) in enumerate(said, start=1):
        first = about + 1 if about >= 0 and about + 1 in model else None
        if first is None:
            kind = "service" if kind == "void" else kind
            model[seq] = kind
        else:
            model[first] = kind
        rows.append(_row(seq, kind, first))
    held = {row.seq: row.kind for row in settled(rows)}
    assert held == {seq: kind for seq, kind in model.items() if kind != ServiceKind.VOID}


def test_an_entry_is_one_frozen_thing() -> None:
    """What is on its way to the ledger cannot change on the way."""
    entry = ServiceEntry("v", "p", "m", "service", "Ines", "", {}, 1)
    with pytest.raises(AttributeError):
        entry.note = "other"  # type: ignore[misc]
