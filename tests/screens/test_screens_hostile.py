"""Names that are orders: markup and escape sequences from boards, files and engines stay text."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from console.screens.rows import Rows
from console.stopbar import LABEL
from console.views.models import (
    AirView,
    AlarmView,
    CrowdView,
    Entity,
    GroupView,
    HeadwayView,
    PropView,
    Refusal,
    SequenceView,
    SiteView,
    StopView,
)
from tests.screens.screens_scene import entities, latched, scene, shown

NASTY = {
    "markup": "[bold red on yellow]loud[/] [link=file:///etc]x[/link] [@click=app.exit()]go[/]",
    "open tag": "[",
    "close tag": "[/nothing]",
    "colour": "\x1b[31mred\x1b[0m",
    "clear": "\x1b[2J\x1b[Hgone",
    "title": "\x1b]0;mine\x07\x1b]8;;http://x\x1b\\y",
    "eight bit": "\x9b31m\x90q\x9c",
    "lines": "one\r\ntwo\nthree\tfour",
    "backwards": "abc\u202edcba\u2066",
    "stop": "\x18\x1a\x00",
    "wide": "氷室の扉" * 12,
    "long": "x" * 500,
    "empty": "",
}
"""Texts that a wire or a file may carry."""


def poisoned(first: int) -> dict[str, Entity]:
    """A night in which every text is nasty; which entity has which is turned by `first`."""
    texts = list(NASTY.values())
    turning = itertools.cycle([*texts[first:], *texts[:first]])
    found = latched()
    for key, entity in list(found.items()):
        text = next(turning)
        if isinstance(entity, PropView):
            found[key] = replace(
                entity,
                title=text or entity.name,
                where=text,
                fault=text,
                tags=(text,),
                sequence=text,
                asked_sequence=text + "2",
                last_trigger=text,
                sequences=(SequenceView(text, text, 1000, ((0, text, True),)),),
                arm_refusals=(Refusal(text, text, text),),
                fire_refusals=(Refusal(text, text, text), Refusal(text, text, text)),
            )
        elif isinstance(entity, AlarmView):
            found[key] = replace(entity, text=text, remedy=text, subject=text)
        elif isinstance(entity, GroupView):
            found[key] = replace(entity, note=text, exclude=(text,), zone=text, near=(text,))
        elif isinstance(entity, HeadwayView):
            found[key] = replace(entity, reason=text, limit=text, gain=text, last_strength=text)
        elif isinstance(entity, CrowdView):
            found[key] = replace(entity, missed=((text, text, 1),))
        elif isinstance(entity, AirView):
            props = tuple(replace(p, title=text, name=text) for p in entity.props)
            found[key] = replace(entity, findings=(text,), props=props)
        elif isinstance(entity, SiteView):
            found[key] = replace(entity, name=text, rearm=(text,), rearm_caution=text)
        elif isinstance(entity, StopView):
            found[key] = replace(
                entity, source=text, by=text, warnings=(text,),
                confirmations=tuple(
                    replace(c, controller=text, where=text) for c in entity.confirmations
                ),
            )  # fmt: skip
    return found


@pytest.mark.parametrize("first", [0, 4, 8])
async def test_no_text_is_taken_for_an_order(first: int) -> None:
    """Every screen and the dialogs that show names stay whole, and so does the bar."""
    play = scene(poisoned(first))
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        for keys in (*"1234567", "1 enter", "1 s", "1 f", "1 w", "1 c"):
            for key in keys.split():
                await pilot.press(key)
            await pilot.pause(0.05)
            rows = shown(play.console)
            assert len(rows) == 24
            assert rows[-1].startswith(LABEL)
            assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for row in rows for c in row)
            while len(play.console.screen_stack) > 1:
                await pilot.press("escape")
                await pilot.pause(0.02)
        assert play.console.return_code is None


async def test_markup_is_shown_as_it_is_written() -> None:
    """A name in brackets is a name in brackets."""
    found = entities()
    hound = found["prop/gate-hound"]
    assert isinstance(hound, PropView)
    found["prop/gate-hound"] = replace(hound, title="[b]hound[/]")
    play = scene(found)
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        assert "[b]hound[/]" in "\n".join(shown(play.console))
        await pilot.press("f")
        await pilot.pause(0.1)
        assert "Fire [b]hound[/]?" in "\n".join(shown(play.console))


async def test_what_is_pasted_goes_into_the_ledger_as_text() -> None:
    """Control characters in a reason are dropped before the request goes out."""
    play = scene(latched())
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.05)
        await pilot.press("c")
        await pilot.pause(0.05)
        field = play.console.screen.focused
        assert field is not None
        field.value = "all \x1b[31mclear\x07"  # type: ignore[attr-defined]
        await pilot.press("enter")
        await pilot.pause(0.05)
        await pilot.press("enter")
        await pilot.pause(0.05)
        assert play.engine.asked[0][1]["why"] == "all [31mclear"


async def test_rows_that_come_and_go_keep_the_cursor() -> None:
    """A prop that leaves the list hands the cursor to its neighbour, and no further."""
    play = scene()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        await pilot.press("down", "down", "down")
        rows = play.console.screen.query_one("#floor", Rows)
        assert rows.chosen == "ice-saw"
        play.store.patch({}, ["prop/ice-saw"])
        await pilot.pause(0.4)
        assert rows.chosen in ("ice-house-door", "brine-hand")
