"""Travel times as they are read from a real ledger: which cycles count, and in what air."""

from __future__ import annotations

import datetime as dt
import math
import random
from pathlib import Path

import numpy as np
import pytest

from console.ledger.entries import Entry, ServiceEntry, Surroundings
from console.ledger.upkeep import UpkeepReader
from console.ledger.working import WEATHER
from console.upkeep.outlook import Outlook
from console.upkeep.surroundings import Series
from console.upkeep.watching import FIRST_NIGHTS, FIRST_ROWS, NEWEST_ROWS, Watch, Watched
from tests.proof.wearing_site import SECOND_NS, Book, make_site, site_text

A_NIGHT = 110
COLD = 3
LOW_PSI = 78.0


def play(book: Book, nights: int, *, low_from: int | None = None, known: bool = False) -> None:
    """Nights of one cycle every two minutes; from `low_from` on at low pressure, `known` or not."""
    rng = random.Random(1)
    for number in range(nights):
        opened = book.open_night(dt.date(2027, 9, 3) + dt.timedelta(days=number))
        low = low_from is not None and number >= low_from
        entries: list[Entry] = []
        for n in range(A_NIGHT):
            at = opened + n * 120 * SECOND_NS
            psi = 90 + 3 * math.sin(n / 9) - (90 - LOW_PSI) * low
            slower = math.exp(-0.01 * (psi - 90) + rng.gauss(0, 0.03))
            entries.append(book.cycle("prop-1", at, 500 * slower, 700 * slower))
            if known:
                entries.append(Surroundings(at + 30 * SECOND_NS, psi=psi))
        book.write(entries)
        book.close_night(opened + A_NIGHT * 120 * SECOND_NS)


def watch(folder: Path, book: Book) -> list[Watched]:
    """The streams of the one prop."""
    site = make_site(folder, site_text(1, []))
    with UpkeepReader.open(book.path) as reader:
        found = Watch(Outlook(site, reader, book.now_ns + SECOND_NS), reader).prop("prop-1")
    book.ledger.close()
    return found


def test_the_first_three_cycles_of_a_night_are_left_out(tmp_path: Path) -> None:
    """A prop that stood for twenty minutes is cold; here each night begins so."""
    book = Book(tmp_path / "works.ledger")
    play(book, 4)
    for stream in watch(tmp_path, book):
        assert stream.stream.count == 4 * (A_NIGHT - COLD)
        assert stream.stream.nights_known == 3


def test_of_a_long_stretch_some_of_each_first_night_and_the_newest_are_read(tmp_path: Path) -> None:
    """A baseline of one night alone would know nothing of what nights differ by."""
    nights = 12
    book = Book(tmp_path / "works.ledger")
    play(book, nights)
    back = watch(tmp_path, book)[0]
    newest = nights * A_NIGHT - NEWEST_ROWS
    early = min(newest // A_NIGHT, FIRST_NIGHTS)
    assert early >= 3
    assert back.started_ns == sorted(back.started_ns)
    days = [dt.datetime.fromtimestamp(at // SECOND_NS, dt.UTC).date() for at in back.started_ns]
    for number in range(early):
        assert days.count(dt.date(2027, 9, 3) + dt.timedelta(days=number)) == FIRST_ROWS - COLD
    assert back.stream.nights_known == 3
    assert not back.stream.learning


@pytest.mark.parametrize("known", [True, False])
def test_low_pressure_is_no_wear_where_it_was_measured(tmp_path: Path, known: bool) -> None:
    """The engine writes the pressure down every minute; what it does to a time is taken off."""
    book = Book(tmp_path / "works.ledger")
    play(book, 7, low_from=5, known=known)
    flagged = [one.stream.flagged_at is not None for one in watch(tmp_path, book)]
    assert flagged == [not known] * 2


def test_warmth_is_that_of_the_last_weather_before_a_cycle(tmp_path: Path) -> None:
    """What was read off before the doors opened counts for that night, not for the next."""
    book = Book(tmp_path / "works.ledger")
    opens = dt.datetime(2027, 9, 3, 18, tzinfo=dt.UTC).timestamp()
    read_ns = (int(opens) - 3600) * SECOND_NS
    prop, motion, part = WEATHER
    book.write(
        [ServiceEntry(part, prop, motion, "reading", "Ines", "", {"temp_degf": 41.0}, read_ns)]
    )
    play(book, 4)
    back = watch(tmp_path, book)[0]
    assert back.stream._air._first[1] == 41.0
    # Three later nights without a reading are taken to be as warm as the first.
    assert back.stream.baseline_ms == pytest.approx(700, rel=0.02)


def test_a_reading_counts_for_moments_near_it() -> None:
    """The nearest one on either side, or the last before, if it is not too long ago."""
    series = Series([(100, 1.0), (200, None), (300, 3.0), (400, 4.0)])
    at = np.array([0, 90, 199, 201, 360, 440, 900])
    around = series.around(at, 100)
    assert np.array_equal(around, [1.0, 1.0, 1.0, 3.0, 4.0, 4.0, math.nan], equal_nan=True)
    before = series.before(at, 100)
    assert np.array_equal(
        before, [math.nan, math.nan, 1.0, math.nan, 3.0, 4.0, math.nan], equal_nan=True
    )
    assert not Series([(1, None)])
