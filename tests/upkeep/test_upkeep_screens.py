"""The upkeep screens on a real ledger: list, part with its chart, season, service and undo."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.cells import cell_len
from textual.pilot import Pilot

from console.ledger.ledger import Ledger
from console.ledger.working import entry_of
from console.screens.bar import StopBar
from console.screens.base import Dialog
from console.screens.part import PartPlace, TravelPlot, chart_title
from console.screens.rows import Rows
from console.screens.season import Season
from console.screens.text import text_of
from console.screens.upkeep import Upkeep
from console.screens.upkeep_lines import (
    season_line,
    shade,
    upkeep_heading,
    upkeep_line,
    worse_lines,
)
from console.site.fittings import fittings
from console.site.loading import load
from console.upkeep.pages import UpkeepPages
from console.views.client import Reply
from console.views.upkeep import TravelChart, UpkeepItem, Worsening
from tests.proof.wearing_site import SECOND_NS, Book, make_site, site_text
from tests.screens.screens_scene import Scene, scene, shown

SIZES = [(80, 24), (120, 40)]
SERVICE = """\
  oil: {title: Oil the rod, part: cylinder, strokes: 1000}
  listen: {title: Listen for leaks, part: valve, strokes: 20000}
  drain: {title: Drain the tank, nights: 1}"""


@pytest.fixture
def works(tmp_path: Path) -> Path:
    """Two props, eight nights; the second one's lift slows down in the last four."""
    today = dt.datetime.now(dt.UTC).date()
    days = [today + dt.timedelta(days=n) for n in (*range(-9, -1), *range(1, 6))]
    make_site(tmp_path, site_text(2, [(day, 4) for day in days], service=SERVICE))
    book = Book(tmp_path / "works.ledger")
    for night, day in enumerate(days[:8]):
        opened = book.open_night(day)
        for prop in ("prop-1", "prop-2"):
            slow = 1.3 if prop == "prop-2" and night >= 4 else 1.0
            book.write(
                book.cycle(prop, opened + at * 100 * SECOND_NS, 500 * slow + at % 7, 700 + at % 5)
                for at in range(60 - 10 * (night % 3))
            )
            book.write([book.stroke(prop, 120, opened + 6000 * SECOND_NS)])
        book.close_night(opened + 4 * 3600 * SECOND_NS)
    book.ledger.close()
    return tmp_path


def pages(works: Path) -> UpkeepPages:
    """What a console is given."""
    held = {"site": works / "site.yaml", "ledger": works / "works.ledger"}
    return UpkeepPages(lambda name: held[name])


async def until(pilot: Pilot[int], wanted: Callable[[], bool]) -> None:
    """Wait for a look in a thread."""
    ends = time.monotonic() + 20
    while not wanted() and time.monotonic() < ends:
        await pilot.pause(0.05)
    assert wanted()


def bar_is_there(play: Scene) -> None:
    """The all-stop bar is the last row, whole."""
    bar = play.console.screen.query_one(StopBar)
    width, height = play.console.size
    assert bar.region == (0, height - 1, width, 1)
    assert "ALL-STOP" in shown(play.console)[-1]


@pytest.mark.parametrize("size", SIZES)
async def test_the_list_shows_what_is_due_first_and_what_gets_worse(
    works: Path, size: tuple[int, int]
) -> None:
    """Bars against intervals, soonest first; the slow motion named above."""
    play = scene()
    play.desk.upkeep = pages(works)
    async with play.console.run_test(size=size) as pilot:
        await pilot.press("5")
        place = play.console.screen
        assert isinstance(place, Upkeep)
        await until(pilot, lambda: bool(place.found.items) and place.worse is not None)
        await pilot.pause(0.3)
        text = "\n".join(shown(play.console))
        assert "1 due" in text
        assert "drain" in text
        assert "prop-2/lift" in text
        assert "1 getting worse" in text
        assert "30% longer" in text or "29% longer" in text
        assert "█" in text
        bar_is_there(play)
        await pilot.press("e")
        await until(pilot, lambda: len(place.found.items) > 4)


@pytest.mark.parametrize("size", SIZES)
async def test_a_part_has_its_history_and_its_chart(works: Path, size: tuple[int, int]) -> None:
    """Enter opens it, brackets turn to another series, Escape leads back."""
    play = scene()
    play.desk.upkeep = pages(works)
    with Ledger.open(works / "works.ledger") as ledger:
        args = {"part": "prop-2/valve:listen", "kind": "reading", "by": "Ines", "note": "hisses"}
        found = fittings(load(works / "site.yaml"))
        ledger.append([entry_of(found, args, time.time_ns())])
    async with play.console.run_test(size=size) as pilot:
        await pilot.press("5")
        place = play.console.screen
        assert isinstance(place, Upkeep)
        await until(pilot, lambda: bool(place.found.items))
        rows = place.query_one(Rows)
        rows.choose("prop-2/lift/valve:listen")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(play.console.screen, PartPlace))
        part = play.console.screen
        assert isinstance(part, PartPlace)
        await until(pilot, lambda: part.page is not None)
        await pilot.pause(0.5)
        text = "\n".join(shown(play.console))
        assert "prop-2/lift/valve" in text
        assert "hisses" in text
        assert part.query_one(TravelPlot).display
        assert "coming home" in text
        assert "limit" in text
        bar_is_there(play)
        await pilot.press("right_square_bracket")
        await pilot.pause(0.5)
        text = "\n".join(shown(play.console))
        assert "going out" in text
        assert "SLOW" in text
        assert part.subject("service") == "prop-2/lift/valve:listen"
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(play.console.screen, Upkeep))


@pytest.mark.parametrize("size", SIZES)
async def test_the_season_is_a_strip_of_nights(works: Path, size: tuple[int, int]) -> None:
    """One shade a night, the mean beside it, a legend above."""
    play = scene()
    play.desk.upkeep = pages(works)
    async with play.console.run_test(size=size) as pilot:
        await pilot.press("8")
        place = play.console.screen
        assert isinstance(place, Season)
        await until(pilot, lambda: bool(place.table.nights))
        await pilot.pause(0.3)
        rows = shown(play.console)
        assert "cycles a night" in "\n".join(rows)
        (strip,) = [row for row in rows if "prop-1" in row]
        assert strip.count("██") == 6
        assert strip.count("▓▓") == 2
        assert strip.rstrip().endswith("51")
        bar_is_there(play)
        await pilot.press("left_square_bracket")
        assert place.back == 0


async def test_a_service_is_asked_of_the_engine_and_undone_within_a_minute(works: Path) -> None:
    """The task goes with the part; undo names the entry, and is refused when it is too late."""
    play = scene()
    play.desk.upkeep = pages(works)
    async with play.console.run_test(size=(120, 40)) as pilot:
        await pilot.press("5")
        place = play.console.screen
        assert isinstance(place, Upkeep)
        await until(pilot, lambda: bool(place.found.items))
        place.query_one(Rows).choose("prop-1/lift/cylinder:oil")
        await pilot.pause()
        await pilot.press("u")
        await pilot.pause(0.2)
        assert play.desk.notice is not None
        assert "nothing is recorded" in play.desk.notice.refusals[0][1].reason
        await pilot.press("v")
        await pilot.pause(0.3)
        await pilot.press("1")
        await pilot.pause(0.3)
        await pilot.press("enter")  # from the name, which is known, to the note
        await pilot.pause(0.3)
        if not play.engine.asked:
            await pilot.press("enter")
        await until(pilot, lambda: bool(play.engine.asked))
        action, args = play.engine.asked[-1]
        assert action == "service"
        assert (args["prop"], args["motion"], args["part"]) == ("prop-1", "lift", "cylinder:oil")
        found = fittings(load(works / "site.yaml"))
        with Ledger.open(works / "works.ledger") as ledger:
            seq = ledger.append([entry_of(found, args, time.time_ns())]).last_seq
        place.action_read()
        await until(pilot, lambda: (i := place.chosen_item()) is not None and i.entry == seq)
        play.engine.answer = Reply(ok=True)
        await pilot.press("u")
        await until(pilot, lambda: play.engine.asked[-1][1].get("kind") == "void")
        _, undone = play.engine.asked[-1]
        assert (undone["kind"], undone["about"]) == ("void", seq)
        assert entry_of(found, undone, time.time_ns()).kind == "void"


async def test_without_a_ledger_or_with_a_broken_one_the_screen_says_so(tmp_path: Path) -> None:
    """No traceback and no empty list without a word."""
    play = scene()
    play.desk.upkeep = None
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.press("5")
        await until(pilot, lambda: "without a ledger" in "\n".join(shown(play.console)))
    play = scene()
    play.desk.upkeep = UpkeepPages(lambda name: tmp_path / name)
    async with play.console.run_test(size=(80, 24)) as pilot:
        for key in ("5", "8"):
            await pilot.press(key)
            await pilot.pause(0.5)
            assert str(tmp_path)[:20] in "\n".join(shown(play.console))


ITEM = UpkeepItem(
    "prop/motion/part:oil", "a-long-prop/a-long-motion/a-long-part:oil-the-rod",
    "Oil the rod and look at the seals", "cylinder", "soon", 0.9, "3600 of 4000 strokes",
    "Fri 2027-10-01", "~72 %",
)  # fmt: skip


@pytest.mark.parametrize("width", range(60, 181, 7))
def test_rows_are_as_wide_as_their_room(width: int) -> None:
    """No row spills over, and what matters most is in every one."""
    row = text_of([upkeep_line(ITEM, width)])
    assert cell_len(row) <= width
    assert "soon" in row
    assert "3600 of 4000" in row
    assert "~72 %" in row
    assert cell_len(text_of([upkeep_heading(width)])) <= width
    strip = text_of([season_line("prop", tuple(range(60)), 59, width, 20)])
    assert cell_len(strip) <= width


def test_hostile_names_stay_text() -> None:
    """Nothing from a file can order the terminal about."""
    worse = Worsening("a\x1b[2Jb", "x" * 300, "c")
    rows = worse_lines([worse] * 5, 80, 4)
    assert len(rows) == 4
    assert "\x1b" not in text_of(rows)


def test_shades_rise_with_counts() -> None:
    """Blank for none, the darkest for the most."""
    shades = [shade(n, 100) for n in (0, 1, 20, 21, 60, 99, 100, 500)]
    assert shades[0] == " "
    assert shades[-1] == shades[-2] == "█"
    order = " ·░▒▓█"
    places = [order.index(s) for s in shades]
    assert places == sorted(places)
    assert shade(0, 0) == " "


def test_a_chart_says_in_words_what_it_shows() -> None:
    """Slow, learning, or as usual: never by colour alone."""
    none: tuple[None, ...] = (None,)
    chart = TravelChart("full", "out", (500.0,), none, none, none, 0.0, True)
    assert "learning" in chart_title(chart)
    slow = TravelChart("full", "back", (500.0,), none, none, none, 0.12, False, 0)
    assert chart_title(slow) == "full, coming home, ms: SLOW, +12%"


async def test_a_second_enter_in_a_hurry_answers_nothing_twice(works: Path) -> None:
    """Two answers to one dialog, before it is gone, are one; the console goes on."""
    play = scene()
    play.desk.upkeep = pages(works)
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.press("5")
        place = play.console.screen
        assert isinstance(place, Upkeep)
        await until(pilot, lambda: bool(place.found.items))
        await pilot.press("v")
        await until(pilot, lambda: isinstance(play.console.screen, Dialog))
        dialog = play.console.screen
        assert isinstance(dialog, Dialog)
        dialog.dismiss(None)
        dialog.dismiss(None)
        await until(pilot, lambda: play.console.screen is place)
        await pilot.press("8")
        await until(pilot, lambda: isinstance(play.console.screen, Season))
