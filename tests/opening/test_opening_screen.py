"""The opening check walked by keys alone, at 80x24."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest
from textual.pilot import Pilot

from console.rules.opening import How
from console.screens.opening_lines import CLOSED, check_rows, sum_lines
from console.screens.rows import Rows
from console.screens.text import text_of
from console.views.models import OpeningView, SiteView
from tests.screens.screens_opening import opening
from tests.screens.screens_scene import Scene, entities, scene, shown

WHO = "P. Marsh"


@contextlib.asynccontextmanager
async def at(play: Scene) -> AsyncIterator[Pilot[int]]:
    """Sit down before the scene."""
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.05)
        yield pilot


async def press(pilot: Pilot[int], *keys: str) -> None:
    """Press keys one by one."""
    for key in keys:
        await pilot.press(key)
        await pilot.pause(0.03)


def choose(play: Scene, key: str) -> None:
    """Put the cursor on a row."""
    play.console.screen.query_one("#checks", Rows).choose(key)


@pytest.fixture
def play() -> Scene:
    """The ordinary night, half checked."""
    return scene()


async def test_the_walk_leads_to_what_is_next(play: Scene) -> None:
    """One key opens it, the cursor is on the next item, Enter and Enter check it off."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        text = "\n".join(shown(play.console))
        assert "Opening check 32 of 47" in text
        assert "4 props closed until checked" in text
        await press(pilot, "enter")
        assert f"{WHO} says that it holds" in "\n".join(shown(play.console))
        await press(pilot, "enter")
        assert play.engine.asked == [("check", {"item": "tags", "by": WHO})]


async def test_a_test_is_run_before_it_is_said_to_be_watched(play: Scene) -> None:
    """Enter on an untested prop asks for the test; once its board has recorded one, for a name."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        choose(play, "ice-saw/tested")
        await press(pilot, "enter", "1", "enter")
        assert play.engine.asked == [("test", {"prop": "ice-saw", "sequence": "plunge"})]
        choose(play, "ice-house-door/tested")
        await press(pilot, "enter", "enter")
        want = {"item": "tested", "by": WHO, "prop": "ice-house-door"}
        assert play.engine.asked[1:] == [("check", want)]


async def test_a_gauge_is_typed(play: Scene) -> None:
    """Enter, the figure, Enter."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        choose(play, "ice-saw/gauge")
        await press(pilot, "enter", *"61", "enter")
        want = {"item": "gauge", "by": WHO, "prop": "ice-saw", "reading": "61"}
        assert play.engine.asked == [("check", want)]


async def test_what_is_judged_by_itself_cannot_be_ticked_off(play: Scene) -> None:
    """Neither by Enter nor by C."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        choose(play, "site/stop-key")
        await press(pilot, "enter", "C", "enter")
        assert play.engine.asked == []


async def test_it_is_left_and_resumed(play: Scene) -> None:
    """Whoever comes back stands at what is next, wherever the cursor was."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        choose(play, "hoist/gauge")
        await press(pilot, "1", "9")
        await pilot.pause(0.3)
        assert play.console.screen.query_one("#checks", Rows).chosen == "site/tags"


async def test_a_prop_is_checked_from_its_own_page(play: Scene) -> None:
    """C there takes its next item; E begins its part anew."""
    async with at(play) as pilot:
        await press(pilot, "down", "down", "enter", "C", "enter")
        want = {"item": "tested", "by": WHO, "prop": "ice-house-door"}
        assert play.engine.asked == [("check", want)]
        await press(pilot, "E", "enter")
        assert play.engine.asked[1:] == [("recheck", {"prop": "ice-house-door", "by": WHO})]


async def test_a_tick_is_taken_back(play: Scene) -> None:
    """What is done shows with who said it, and Q takes it back."""
    async with at(play) as pilot:
        await press(pilot, "9", "e")
        await pilot.pause(0.3)
        choose(play, "gate-hound/gauge")
        assert "61 psi, R. Alder" in "\n".join(shown(play.console))
        await press(pilot, "Q", "enter")
        want = {"item": "gauge", "by": WHO, "prop": "gate-hound"}
        assert play.engine.asked == [("uncheck", want)]


async def test_a_name_is_chosen_where_nobody_of_the_shift_sits(play: Scene) -> None:
    """On a second console the first question is who says so, once."""
    play.desk.who = "desk"
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        await press(pilot, "enter", "2", "enter", "enter", "enter")
        assert [args["by"] for _, args in play.engine.asked] == ["R. Alder", "R. Alder"]
        await press(pilot, "I", *"Bo", "enter")
        assert play.engine.asked[-1] == ("sign_in", {"by": "Bo"})


async def test_opening_up_says_what_is_left_out(play: Scene) -> None:
    """Two keys; what is not done and what is left out stands there before the second."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        await press(pilot, "A")
        text = "\n".join(shown(play.console))
        assert "15 items of the opening check not done" in text
        assert "Left out: Brine hand" in text
        await press(pilot, "enter")
        assert play.engine.asked == [("open_up", {"by": WHO})]


async def test_closing_up_warns_of_groups_inside(play: Scene) -> None:
    """The last group must be out, or somebody says so all the same."""
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        await press(pilot, "X")
        assert "4 groups in the walk still" in "\n".join(shown(play.console))
        await press(pilot, "enter")
        assert play.engine.asked == [("close_up", {"by": WHO, "anyway": True})]
        play.store.patch({"opening": opening(entities(), closing=True)}, ())
        await pilot.pause(0.4)
        text = "\n".join(shown(play.console))
        assert "Closing up 3 of 12" in text
        assert "lid down, pin in" in text


async def test_without_a_night_it_says_what_to_do() -> None:
    """o opens one; nothing else is offered."""
    found = entities()
    site = found["site"]
    assert isinstance(site, SiteView)
    found["site"] = replace(site, night=None)
    play = scene(found)
    async with at(play) as pilot:
        await press(pilot, "9")
        await pilot.pause(0.3)
        assert "No night is open. o opens one" in "\n".join(shown(play.console))
        await press(pilot, "C", "A", "X", "I", "E", "Q", "enter", "n", "e")
        assert play.engine.asked == []


def test_what_is_done_takes_one_row() -> None:
    """Nothing that is left is hidden, at any width; what is done is gathered."""
    view = opening(entities())
    titles = {"ice-saw": "Ice saw", "gate-hound": "Gate hound"}
    for width in (40, 60, 80, 120):
        rows = check_rows(view, titles, width, everything=False)
        keys = [row.key for row in rows if row.key]
        assert [k for k in keys if not k.endswith("/")] == [
            f"{i.subject}/{i.item}" for i in view.items if not i.done
        ]
        assert "gate-hound/" in keys
    every = [row.key for row in check_rows(view, titles, 80, everything=True) if row.key]
    assert every == [f"{i.subject}/{i.item}" for i in view.items]


def test_the_last_words_name_the_report() -> None:
    """When all of closing up is done."""
    view = OpeningView(required=False, closing=True, done=4, of=4)
    assert CLOSED in text_of(sum_lines(view, {}, 80, low=False))
    assert "sexton report" in CLOSED


def test_the_scene_speaks_the_words_of_the_rules() -> None:
    """What the scene says of how an item is judged is what an engine could say."""
    hows = {i.how for i in opening(entities()).items}
    assert hows <= {how.value for how in How}
