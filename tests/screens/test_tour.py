"""The tour of the keys before scenes: its table, its time, its rows, and what ends it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from console.actions import ACTIONS
from console.screens.app import Console
from console.screens.base import Dialog
from console.screens.bindings import (
    EVERYWHERE,
    FLOOR_WAYS,
    LIST_WAYS,
    PLACES,
    STOP_KEYS,
    TOUR_WAYS,
    prints,
)
from console.screens.head import Strip
from console.screens.store import Store
from console.screens.text import text_of, wrap
from console.screens.tour import FAREWELL_S, Outcome, Stage, Tour
from console.screens.tour_line import FAREWELL, OFFER, TourLine
from console.screens.tour_memory import FILE, TourMemory
from console.screens.tour_steps import REAL, SIMULATED, TYPED, Sight, Step, StopPart
from console.views.models import Entity, SiteView, StopView
from tests.screens.screens_scene import Scene, entities, scene, shown
from tests.screens.test_screens_sizes import SCREENS, SIZES, check_bar, check_whole, quiet

TABLES = {"simulated": SIMULATED, "real": REAL}
WORDS_A_MINUTE = 200
SECONDS_A_KEY, SECONDS_A_STEP = 1.20, 1.35
"""A typist who does not know the keyboard, and making up one's mind: Card, Moran, Newell, "The
keystroke-level model for user performance time with interactive systems", CACM 23(7), 1980."""
LETTERS = 10
"""In a few words."""


def toured(site: Callable[[], dict[str, Entity]] = entities, *, demo: bool = True) -> Scene:
    """A scene whose tour is offered; it remembers into `play.console.outcomes`."""
    found = site()
    view = found["site"]
    assert isinstance(view, SiteView)
    found["site"] = replace(view, demo=demo)
    play = scene(found)
    outcomes: list[Outcome] = []
    play.desk.tour = Tour(offered=True, remember=outcomes.append)
    play.console.outcomes = outcomes  # type: ignore[attr-defined]
    return play


def outcomes(play: Scene) -> list[Outcome]:
    """What the tour had remembered."""
    return play.console.outcomes  # type: ignore[attr-defined, no-any-return]


async def press(pilot: Pilot[int], *keys: str) -> None:
    """Press keys, and let the console look at what came of them."""
    for key in keys:
        await pilot.press(key)
        await pilot.pause(0.02)
    pilot.app.tick()  # type: ignore[attr-defined]
    await pilot.pause()
    await pilot.pause(0.02)


def text(console: Console) -> str:
    """What stands on the screen."""
    return "\n".join(shown(console))


def sight(play: Scene, **more: object) -> Sight:
    """What a console on the floor sees."""
    base = Sight(play.store, "Floor", "Floor", "gate-hound", at_s=time.monotonic())
    return replace(base, **more)  # type: ignore[arg-type]


def begun(
    play: Scene, step: Step, remember: Callable[[Outcome], None] = lambda outcome: None
) -> Tour:
    """A tour that waits for this step, whatever came before."""
    tour = Tour(remember=remember)
    tour.begin(sight(play))
    while tour.step is not step:
        tour.next(sight(play))
    return tour


# --- the tables ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TABLES)
def test_it_takes_under_two_minutes(name: str) -> None:
    """Ten steps: words at 200 a minute, every key at a slow typist's pace, a thought a step."""
    steps = TABLES[name]
    assert 8 <= len(steps) <= 10
    words = sum(len(f"press {' '.join(s.keys)} {s.text}".split()) for s in steps)
    keys = sum(LETTERS if key == TYPED else 1 for s in steps for key in s.keys)
    seconds = words * 60 / WORDS_A_MINUTE
    seconds += keys * SECONDS_A_KEY + len(steps) * SECONDS_A_STEP
    print(f"{name}: {len(steps)} steps, {words} words, {keys} keys, {seconds:.0f} s")
    assert seconds < 120


@pytest.mark.parametrize("name", TABLES)
def test_each_step_is_a_line_or_two(name: str) -> None:
    """At 80 columns no step needs more than two rows of text, and the offer needs one."""
    assert all(1 <= len(wrap(step.text, 78)) <= 2 for step in TABLES[name])
    assert len(wrap(OFFER, 78)) == 1
    assert len(wrap(FAREWELL, 78)) <= 2


def test_on_a_real_site_no_step_asks_for_anything() -> None:
    """Its keys only look: none arms, fires, sends or stops, and `w` only lists reasons."""
    looking = (*PLACES, *EVERYWHERE, *FLOOR_WAYS, *LIST_WAYS, *TOUR_WAYS)
    allowed = {way.key for way in looking} - {"e", "z"} | {"w"}
    stops = {way.key for way in STOP_KEYS}
    asking = {a.key for a in ACTIONS if a.key and a.id != "why"}
    for step in REAL:
        assert set(step.keys) <= allowed
        assert not set(step.keys) & (asking | stops)
        assert step.stop is StopPart.NONE


@pytest.mark.parametrize("name", TABLES)
def test_one_step_says_what_the_all_stop_is_not(name: str) -> None:
    """Software is never the safety device; the hardwired stop is named."""
    (step,) = [s for s in TABLES[name] if "never the safety device" in s.text]
    assert "hardwired stop" in step.text


def test_simulated_steps_press_the_keys_that_the_product_promises() -> None:
    """Arm all 2, switch and fire 2 after the cursor, group 2, incident 2 before typing, stop 1."""
    keys = [step.keys for step in SIMULATED]
    for wanted in (("e", "a"), ("s", "2"), ("f", "enter"), ("g", "2"), ("f9",), ("w", "escape")):
        assert wanted in keys
    assert ("i", "1", TYPED, "enter", "enter") in keys
    assert ("c", TYPED, "enter", "enter") in keys


def test_its_keys_are_its_own() -> None:
    """Nothing else is on F3 and F4, and they type nothing."""
    others = {k for w in (*PLACES, *EVERYWHERE, *FLOOR_WAYS, *LIST_WAYS, *STOP_KEYS)
              for k in w.key.split(",")} | {a.key for a in ACTIONS}  # fmt: skip
    assert {way.key for way in TOUR_WAYS} == {"f3", "f4"}
    assert not {way.key for way in TOUR_WAYS} & others
    assert not any(prints(way.key) for way in TOUR_WAYS)


# --- on the screen ---------------------------------------------------------------------------


async def test_the_offer_is_one_calm_row_that_takes_nothing() -> None:
    """Focus and keys stay where they are; it goes with F4, is remembered, and comes back never."""
    play = toured()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await press(pilot)
        focused = play.console.focused
        assert text(play.console).count("New here?") == 1
        await press(pilot, "down", "a", "e", "escape", "t", "escape")
        assert play.engine.asked == [("arm", {"props": ["coal-chute"]})]
        assert "New here?" in text(play.console)
        assert play.console.focused is focused
        await press(pilot, "f4")
        assert "New here?" not in text(play.console)
        assert outcomes(play) == [Outcome.SKIPPED]
        await press(pilot, "f4")
        assert outcomes(play) == [Outcome.SKIPPED]


async def test_no_offer_without_memory_and_none_while_stopped() -> None:
    """A console that was given no memory offers nothing; an all-stop comes before an offer."""
    play = scene()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await press(pilot)
        assert "New here?" not in text(play.console)
    play = toured()
    play.store.patch({"stop": StopView(latched=True, id=4, source="hardwired")}, ())
    async with play.console.run_test(size=(80, 24)) as pilot:
        await press(pilot, "f3")
        assert play.desk.tour.stage is Stage.OFFERED
        assert "New here?" not in text(play.console)
        play.store.patch({"stop": StopView(latched=False)}, ())
        await press(pilot)
        assert "New here?" in text(play.console)


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("name", TABLES)
async def test_every_step_is_whole_at_every_size(name: str, size: tuple[int, int]) -> None:
    """Each text stands on the floor without a cut, between the alarm and the keys, and the bar."""
    play = toured(demo=name == "simulated")
    async with play.console.run_test(size=size) as pilot:
        await press(pilot)
        alarm = text_of(play.console.screen.query_one(Strip).lines)
        for step in TABLES[name]:
            await press(pilot, "f3")
            if step is not play.desk.tour.step:
                assert not step.applies(play.console.sight())
                continue
            (said,) = play.console.screen.query(TourLine)
            rows = text(play.console)
            for words in wrap(step.text, size[0] - 2):
                assert words in rows
            assert len(said.lines) == said.size.height
            assert "F3 next  F4 ends it" in rows
            assert text_of(play.console.screen.query_one(Strip).lines)[:60] == alarm[:60]
            assert "urgent 1 of 2" in rows
            assert "Gate hound" in rows
            check_bar(play.console)
            check_whole(play.console)
        if play.desk.tour.step is not None:
            await press(pilot, "f3")
        for words in wrap(FAREWELL, size[0] - 2):
            assert words in text(play.console)
        assert outcomes(play) == [Outcome.TAKEN]


@pytest.mark.parametrize("name", [n for n, (_, kind) in SCREENS.items() if kind in ("", "quiet")])
async def test_screens_and_dialogs_stay_whole_with_it(name: str) -> None:
    """Its rows take the room of a list, never that of the bar, and dialogs move above them."""
    keys, kind = SCREENS[name]
    play = toured(quiet if kind == "quiet" else entities)
    async with play.console.run_test(size=SIZES[0]) as pilot:
        await press(pilot, "f3", "f3", *keys.split())
        for size in SIZES:
            await pilot.resize_terminal(*size)
            for _ in range(3):
                play.console.tick()
                await pilot.pause(0.03)
            check_bar(play.console)
            check_whole(play.console)
            screen = play.console.screen
            (said,) = screen.query(TourLine)
            assert said.display
            assert "Tour 2 of 10" in text(play.console)
            if isinstance(screen, Dialog):
                assert not screen.query_one("#dialog").region.overlaps(said.region)


async def test_in_an_input_its_keys_type_nothing_and_work() -> None:
    """F3 goes on and F4 ends it while somebody writes a note; what was written stays."""
    play = toured()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await press(pilot, "f3", "i", "1", "a", "f3", "b")
        field = play.console.screen.focused
        assert isinstance(field, Input)
        assert field.value == "ab"
        assert "Tour 2 of 10" in text(play.console)
        await press(pilot, "f4", "c")
        assert field.value == "abc"
        assert "Tour" not in text(play.console)
        assert outcomes(play) == [Outcome.SKIPPED]


async def test_it_does_not_begin_above_a_dialog() -> None:
    """A question is answered first."""
    play = toured()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await press(pilot, "f", "f3")
        assert play.desk.tour.stage is Stage.OFFERED


@pytest.mark.parametrize("name", TABLES)
async def test_it_can_be_left_at_every_step_with_one_key(name: str) -> None:
    """F4, and nothing of it is left; what was asked of the engine is nothing."""
    play = toured(demo=name == "simulated")
    async with play.console.run_test(size=(80, 24)) as pilot:
        for step in TABLES[name]:
            if not step.applies(sight(play)):
                continue
            told: list[Outcome] = []
            play.desk.tour = begun(play, step, told.append)
            await press(pilot)
            assert step.text[:40] in text(play.console)
            await press(pilot, "f4")
            assert play.desk.tour.stage is Stage.OFF
            assert "Tour" not in text(play.console)
            assert told == [Outcome.SKIPPED]
    assert play.engine.asked == []
    assert not play.stops.presses


async def test_elsewhere_it_first_leads_back_to_the_floor() -> None:
    """`e` works on the floor only: from another screen the way there stands before it."""
    play = toured()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await press(pilot, "f3", "f3", "4")
        assert "press 1 e d" in text(play.console)
        await press(pilot, "1")
        assert "press e d" in text(play.console)


async def test_it_is_taken_again_from_the_palette_and_stands_in_the_lists_of_keys() -> None:
    """Ctrl+P finds it by name, `?` and F2 name its key, and F3 alone begins it anew."""
    play = scene()
    async with play.console.run_test(size=(120, 40)) as pilot:
        await press(pilot, "ctrl+p", *"tour", "enter")
        assert "Tour 1 of 10" in text(play.console)
        await press(pilot, "f4", "f2")
        assert "Take the tour of the keys" in text(play.console)
        await press(pilot, "escape", "question_mark", "end")
        assert "Take the tour of the keys" in text(play.console)
        await press(pilot, "escape", "f3", "f3")
        assert "Tour 2 of 10" in text(play.console)


# --- what ends it ----------------------------------------------------------------------------


OTHERS = [(n, i) for n, steps in TABLES.items() for i, s in enumerate(steps)
          if s.stop is StopPart.NONE and s.applies(Sight(scene().store))]  # fmt: skip


@pytest.mark.parametrize(("name", "number"), OTHERS)
@pytest.mark.parametrize("how", ["latched", "unanswered"])
def test_a_stop_ends_it_at_every_other_step(name: str, number: int, how: str) -> None:
    """At the first look, also while no engine has answered the press."""
    play = toured(demo=name == "simulated")
    tour = begun(play, TABLES[name][number])
    if how == "latched":
        play.store.patch({"stop": StopView(latched=True, id=7, source="key F9")}, ())
    tour.look(sight(play, pressed=how == "unanswered"))
    assert tour.stage is Stage.OFF


def test_the_stop_that_it_asks_for_is_one_by_key_or_click() -> None:
    """It goes on with its own; one from the shell, a board or a second one ends it."""
    for source, stays in (("key F9", True), ("key Ctrl+X", True), ("click", True),
                          ("shell", False), ("hardwired: gate-yard-1", False)):  # fmt: skip
        play = toured()
        tour = begun(play, SIMULATED[8])
        tour.look(sight(play, pressed=True))
        assert tour.step is SIMULATED[8]
        play.store.patch({"stop": StopView(latched=True, id=7, source=source)}, ())
        tour.look(sight(play))
        assert (tour.step is SIMULATED[9]) is stays
        assert (tour.stage is Stage.UNDER_WAY) is stays
        if stays:
            tour.look(sight(play))
            assert tour.step is SIMULATED[9]
            play.store.patch({"stop": StopView(latched=True, id=8, source=source)}, ())
            tour.look(sight(play))
            assert tour.stage is Stage.OFF


def test_without_its_stop_there_is_nothing_to_clear() -> None:
    """Who skips the all-stop is not asked to clear one."""
    play = toured()
    tour = begun(play, SIMULATED[8])
    tour.next(sight(play))
    assert tour.stage is Stage.DONE


def test_a_site_that_turns_out_to_be_real_ends_it() -> None:
    """No step for simulated props is ever shown before a real site."""
    play = toured()
    tour = begun(play, SIMULATED[1])
    site = play.store.site
    play.store.patch({"site": replace(site, demo=False)}, ())
    tour.look(sight(play))
    assert tour.stage is Stage.OFF
    tour.begin(sight(play))
    assert tour.step is REAL[0]


def test_its_last_word_goes_by_itself() -> None:
    """After half a minute, without a key."""
    play = toured()
    tour = begun(play, SIMULATED[8])
    now = sight(play)
    tour.next(now)
    tour.look(replace(now, at_s=now.at_s + FAREWELL_S - 1))
    assert tour.stage is Stage.DONE
    tour.look(replace(now, at_s=now.at_s + FAREWELL_S + 1))
    assert tour.stage is Stage.OFF


# --- what is remembered ----------------------------------------------------------------------


def settled() -> None:
    """Wait for what is being written."""
    for thread in threading.enumerate():
        if thread.name == "tour memory":
            thread.join(5)


@pytest.mark.parametrize("outcome", Outcome)
def test_how_it_ended_is_remembered(tmp_path: Path, outcome: Outcome) -> None:
    """One word in one file, and no other file is left beside it."""
    memory = TourMemory(lambda: tmp_path)
    assert memory.outcome() is None
    memory.remember(outcome)
    settled()
    assert TourMemory(lambda: tmp_path).outcome() is outcome
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize("held", [b"", b"perhaps", b"\xff\xfe\x00", b"x" * 100_000, None])
def test_a_file_that_says_nothing_has_it_offered_again(tmp_path: Path, held: bytes | None) -> None:
    """Empty, cut, foreign or not a file at all: no crash, and the next word takes its place."""
    if held is None:
        (tmp_path / FILE).mkdir()
    else:
        (tmp_path / FILE).write_bytes(held)
    memory = TourMemory(lambda: tmp_path)
    assert memory.outcome() is None
    memory.remember(Outcome.TAKEN)
    settled()
    assert memory.outcome() is (None if held is None else Outcome.TAKEN)
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize("make", [True, False])
def test_a_folder_that_cannot_be_had_costs_nothing(tmp_path: Path, make: bool) -> None:
    """Neither reading nor writing raises, here or in the thread; it is offered again."""
    (tmp_path / "file").write_text("")

    def folder() -> Path:
        found = tmp_path / "file" / "data"
        if make:
            found.mkdir(parents=True)
        return found

    memory = TourMemory(folder)
    assert memory.outcome() is None
    memory.remember(Outcome.SKIPPED)
    settled()
    assert memory.outcome() is None
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_what_is_done_is_seen_not_believed() -> None:
    """An answer alone does not finish a step: the views must show it, and the other way round."""
    play = toured()
    arm = SIMULATED[3]
    then = Sight(Store(dict(play.store.entities)))
    asked = replace(then, did={"arm": 1})
    assert not arm.done(asked, then), "boiler-face is disarmed, and nothing keeps it"
    armed = {
        k: replace(e, state="armed") if k == "prop/boiler-face" else e
        for k, e in play.store.entities.items()
    }
    assert arm.done(replace(asked, store=Store(armed)), then)
    assert not arm.done(replace(then, store=Store(armed)), then), "nobody here asked for it"
