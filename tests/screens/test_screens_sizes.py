"""Every screen and dialog at three sizes: the stop bar in its place, nothing lost silently."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.cells import cell_len
from textual.geometry import Region

from console.screens.app import PLACES, Console
from console.screens.bar import StopBar
from console.screens.base import Dialog, Place
from console.screens.bindings import PLACES as PLACE_WAYS
from console.screens.desk import Notice
from console.screens.lines import Lines
from console.screens.rows import Rows
from console.screens.text import text_of
from console.stopbar import LABEL, on_label
from console.views.models import (
    ControllerView,
    Entity,
    LinkState,
    PropFlag,
    PropState,
    PropView,
    Refusal,
    SiteView,
)
from tests.screens.screens_scene import entities, latched, scene, shown

SIZES = [(80, 24), (120, 40), (60, 15)]


def quiet() -> dict[str, Entity]:
    """The night is over, something can be armed again, a controller holds other sequences."""
    found = entities()
    site = found["site"]
    assert isinstance(site, SiteView)
    found["site"] = replace(
        site, night=None, rearm=("gate-hound", "stoker"), rearm_caution="Air returns: stand clear."
    )
    board = found["controller/ice-house-1"]
    assert isinstance(board, ControllerView)
    found["controller/ice-house-1"] = replace(board, link=LinkState.DIFFERS)
    return found


SCREENS: dict[str, tuple[str, str]] = {
    **{way.id: (way.key, "") for way in PLACE_WAYS},
    "go.prop": ("enter", ""),
    "go.part": ("5 enter", ""),
    "stopped": ("2", "latched"),
    "dialog fire": ("f", ""),
    "dialog test": ("t", ""),
    "dialog test confirmed": ("t 1", ""),
    "dialog switch": ("e s", ""),
    "dialog rearm": ("r", "quiet"),
    "dialog clear": ("c", "latched"),
    "dialog clear confirmed": ("c enter o k enter", "latched"),
    "dialog leave out": ("2 l", "latched"),
    "dialog open night": ("o", "quiet"),
    "dialog close night": ("O", ""),
    "dialog upload": ("U", "quiet"),
    "dialog service": ("5 v", ""),
    "dialog service note": ("5 v 1", ""),
    "dialog group": ("6 g", ""),
    "dialog group form": ("6 g 5 2", ""),
    "dialog correct": ("6 j", ""),
    "dialog leak test": ("7 L", ""),
    "dialog tag": ("b", ""),
    "dialog hand over": ("end up up up up up H", ""),
    "opening everything": ("9 e", ""),
    "dialog check": ("9 C", ""),
    "dialog sign in": ("9 I", ""),
    "dialog open up": ("9 A", ""),
    "dialog close up": ("9 X", ""),
    "dialog recheck": ("enter E", ""),
    "dialog why": ("end up w", ""),
    "dialog night": ("4 n", ""),
    "dialog export": ("4 x", ""),
    "dialog export path": ("4 x 1", ""),
    "answered": ("2", "answered"),
    "dialog answer": ("2 W", "answered"),
    "dialog help": ("question_mark", ""),
    "dialog all keys": ("f2", ""),
    "dialog palette": ("ctrl+p", ""),
    "dialog leave": ("q", ""),
}
"""How to get to each, and in which scene. A test below checks that none is forgotten."""


def check_bar(console: Console) -> None:
    """The label lies whole on the first columns of the bottom row."""
    width, height = console.size
    screen = console.screen
    bar = screen.query_one(StopBar)
    assert bar.region == Region(0, height - 1, width, 1)
    assert screen.get_widget_at(0, height - 1)[0] is bar
    assert screen.get_widget_at(len(LABEL) - 1, height - 1)[0] is bar
    assert shown(console)[-1].startswith(LABEL)
    assert on_label(0, height - 1, height)


def check_whole(console: Console) -> None:
    """No widget lies outside the screen, and no row that was cut hides it."""
    width, height = console.size
    screen = console.screen
    whole = Region(0, 0, width, height)
    for widget in screen.query(Lines):
        if not widget.display or not widget.lines:
            continue
        if isinstance(screen, Dialog) and widget.parent is not screen:
            continue  # what is in a dialog's box scrolls with it
        assert whole.contains_region(widget.region), widget
        assert len(widget.lines) <= widget.size.height, (widget, text_of(widget.lines))
    for rows in screen.query(Rows):
        assert rows.size.height >= 3, rows
        for y, row in enumerate(rows.lines[: rows.size.height]):
            text = text_of([row])
            if cell_len(text) > rows.room:
                strip = rows.render_line(y)
                assert strip.text.rstrip().endswith("…"), text


@pytest.mark.parametrize("name", SCREENS)
async def test_the_stop_bar_is_whole_everywhere(name: str) -> None:
    """On every screen and dialog, at every size, the label can be read and clicked."""
    keys, kind = SCREENS[name]
    play = scene({"latched": latched, "quiet": quiet}.get(kind, entities)())
    if kind == "answered":
        why = tuple((f"prop-{n}", Refusal("supply", "it sags", "charge it")) for n in range(9))
        play.desk.notice = Notice("Arm refused for 9 of 10 props", why)
    async with play.console.run_test(size=SIZES[0]) as pilot:
        await pilot.pause()
        for key in keys.split():
            await pilot.press(key)
            await pilot.pause(0.02)
        for size in SIZES:
            await pilot.resize_terminal(*size)
            play.console.tick()
            await pilot.pause(0.05)
            play.console.tick()
            await pilot.pause(0.02)
            assert isinstance(play.console.screen, Dialog) == name.startswith("dialog")
            check_bar(play.console)
            check_whole(play.console)
        assert not play.stops.presses
        assert await pilot.click(StopBar, offset=(3, 0))
        await pilot.press("f9", "ctrl+x")
        assert [source for source, _ in play.stops.presses] == ["click", "key F9", "key Ctrl+X"]
        assert isinstance(play.console.screen, Dialog) == name.startswith("dialog")


def test_no_screen_and_no_dialog_is_forgotten_above() -> None:
    """Every class that can be on the terminal is met by some row of the table."""

    def under(kind: type) -> set[type]:
        return {kind, *(k for sub in kind.__subclasses__() for k in under(sub))}

    places = {p for p in under(Place) if p is not Place}
    assert places - set(PLACES.values()) == {
        p for p in places if p.__name__ in ("PropPage", "PartPlace")
    }
    dialogs = {d.__name__ for d in under(Dialog)} - {"Dialog", "Read"}
    assert dialogs == {
        "Confirm", "Choose", "Form", "Why", "LastAnswer", "Help", "AllKeys", "Commands", "HoldToRun"
    }  # fmt: skip


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_the_floor_says_what_matters_at_every_size(size: tuple[int, int]) -> None:
    """State, sequence and flags of a prop in its row; the rest of it in the rows below."""
    play = scene()
    async with play.console.run_test(size=size) as pilot:
        await pilot.pause(0.3)
        text = "\n".join(shown(play.console))
        for word in ("Gate hound", "◆ armed", "plunge", "» running", "→", "shiver…"):
            assert word in text
        assert "tagged" in text
        assert "urgent 1 of 2" in text
        assert "night 3" in text


async def test_many_props_scroll() -> None:
    """Sixty props on a small terminal: the last one can be reached and its row is on the screen."""
    found = entities()
    model = found["prop/gate-hound"]
    assert isinstance(model, PropView)
    for n in range(60):
        name = f"lantern-{n:02}"
        found[f"prop/{name}"] = replace(model, name=name, title=f"Lantern {n:02}", order=100 + n)
    play = scene(found)
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        for _ in range(8):
            await pilot.press("pagedown")
        rows = play.console.screen.query_one("#floor", Rows)
        assert rows.chosen == "loft-crows"
        assert "Loft crows" in "\n".join(shown(play.console))
        await pilot.press("home")
        await pilot.pause(0.1)
        assert rows.chosen == "gate-hound"
        assert "Gate yard" in shown(play.console)[4]


async def test_only_changed_rows_are_drawn() -> None:
    """One prop changes state: its row and its zone's heading are drawn, the other rows are not."""
    found = {k: replace(e, last_trigger_wall_ns=0) if isinstance(e, PropView) else e
             for k, e in entities().items()}  # fmt: skip
    play = scene(found)
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.3)
        rows = play.console.screen.query_one("#floor", Rows)
        drawn: list[int] = []
        render = rows.render_line
        rows.render_line = lambda y: (drawn.append(y), render(y))[1]  # type: ignore[method-assign]
        play.console.tick()
        await pilot.pause(0.05)
        assert drawn == []
        saw = play.store.prop("ice-saw")
        assert saw is not None
        play.store.patch({"prop/ice-saw": replace(saw, state=PropState.ARMED)}, ())
        play.console.tick()
        await pilot.pause(0.05)
        assert len(set(drawn)) == 2


async def test_a_flag_that_has_no_room_stands_below() -> None:
    """The chosen prop's flags are written out in the details, at 80 columns too."""
    found = entities()
    hound = found["prop/gate-hound"]
    assert isinstance(hound, PropView)
    flags = (PropFlag.NOT_MATCHING, PropFlag.SLOWING)
    found["prop/gate-hound"] = replace(hound, flags=flags)
    play = scene(found)
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        text = "\n".join(shown(play.console))
        assert "differs+1" in text
        assert "not matching the site file  slowing" in text
