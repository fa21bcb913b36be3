"""From keys to requests: what is asked first, what goes out, and what stays to be read."""

from __future__ import annotations

import contextlib
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from console.actions import ACTIONS
from console.screens import desk, questions
from console.screens.app import Console
from console.screens.base import Dialog, Place
from console.screens.bindings import (
    ALARM_WAYS,
    EVERYWHERE,
    FLOOR_WAYS,
    LEDGER_WAYS,
    PLACES,
    PROP_WAYS,
    STOP_KEYS,
    prints,
)
from console.screens.floor import Floor
from console.screens.foot import Keys
from console.screens.rows import Rows
from console.screens.text import text_of
from console.views.client import Reply
from console.views.models import PropState, Refusal, SiteView, StopView
from console.views.records import RecordFilter
from tests.screens.screens_scene import Scene, entities, latched, scene, shown


@contextlib.asynccontextmanager
async def at(play: Scene, size: tuple[int, int] = (80, 24)) -> AsyncIterator[Pilot[int]]:
    """Sit down before the scene."""
    async with play.console.run_test(size=size) as pilot:
        await pilot.pause(0.05)
        yield pilot


async def press(pilot: Pilot[int], *keys: str) -> None:
    """Press keys one by one, as slowly as a person never could."""
    for key in keys:
        await pilot.press(key)
        await pilot.pause(0.02)


@pytest.fixture
def play() -> Scene:
    """The ordinary night."""
    return scene()


async def test_one_key_arms_the_chosen_prop(play: Scene) -> None:
    """`a` acts on the row under the cursor and on nothing else."""
    async with at(play) as pilot:
        await press(pilot, "down", "a")
        assert play.engine.asked == [("arm", {"props": ["coal-chute"]})]


async def test_two_keys_arm_everything_and_the_scope_falls_back(play: Scene) -> None:
    """`e` `a` is for all; the `a` after that is for one again."""
    async with at(play) as pilot:
        await press(pilot, "e")
        assert "EVERYTHING: 10 props" in "\n".join(shown(play.console))
        await press(pilot, "a", "a")
        assert [len(args["props"]) for _, args in play.engine.asked] == [10, 1]  # type: ignore[arg-type]


async def test_a_zone_is_shown_before_it_is_acted_on(play: Scene) -> None:
    """`z` marks the rows and names the zone; Escape takes it back."""
    async with at(play) as pilot:
        await press(pilot, "down", "down", "z")
        text = "\n".join(shown(play.console))
        assert "ZONE Ice house: 3 props" in text
        assert text.count("▌") == 3
        await press(pilot, "escape", "d")
        await press(pilot, "z", "d")
        assert play.engine.asked == [
            ("disarm", {"props": ["ice-house-door"]}),
            ("disarm", {"props": ["ice-house-door", "ice-saw", "brine-hand"]}),
        ]


async def test_a_fire_needs_a_second_and_another_key(play: Scene) -> None:
    """A held or bouncing `f` fires nothing; Enter does."""
    async with at(play) as pilot:
        await press(pilot, "f", "f", "f")
        assert play.engine.asked == []
        await press(pilot, "enter")
        assert play.engine.asked == [("fire", {"prop": "gate-hound"})]


async def test_a_fire_that_nobody_confirms_is_forgotten(
    play: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The question closes by itself, so that a later Enter means something else."""
    monkeypatch.setattr(questions, "SECOND_KEY_S", 0.05)
    async with at(play) as pilot:
        await press(pilot, "f")
        await pilot.pause(0.3)
        assert len(play.console.screen_stack) == 1
        assert play.engine.asked == []


async def test_on_its_own_page_further_fires_need_one_key(
    play: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After one confirmed fire the page fires at once for a while, on that page only."""
    async with at(play) as pilot:
        await press(pilot, "enter", "f", "enter")
        assert "f fires with one key" in "\n".join(shown(play.console))
        await press(pilot, "f", "f")
        assert len(play.engine.asked) == 3
        await press(pilot, "right_square_bracket", "f")
        assert len(play.engine.asked) == 3
    play.desk.fired_from_page("gate-hound")
    later = time.monotonic() + desk.QUICK_FIRE_S + 0.1
    monkeypatch.setattr("console.screens.desk.time.monotonic", lambda: later)
    assert play.desk.quick_fire_s("gate-hound") == 0


async def test_a_refused_fire_opens_no_quick_minute(play: Scene) -> None:
    """Only a fire that was taken on makes the next one easier."""
    play.engine.answer = Reply(ok=False, refused={"": (Refusal("armed", "no", "arm it"),)})
    async with at(play) as pilot:
        await press(pilot, "enter", "f", "enter")
        assert play.desk.quick_fire_s("gate-hound") == 0


async def test_a_refusal_stands_with_reason_and_remedy(play: Scene) -> None:
    """It is still there after other keys and goes when Escape says so."""
    refusal = Refusal("supply", "the supply sags to 10.9 V", "charge the battery of the north side")
    play.engine.answer = Reply(ok=False, refused={"": (refusal,)})
    async with at(play) as pilot:
        await press(pilot, "a")
        await pilot.pause(0.6)
        await press(pilot, "down", "up", "z", "z")
        text = "\n".join(shown(play.console))
        assert "Arm refused" in text
        assert "the supply sags to 10.9 V → charge the battery" in text
        await press(pilot, "escape")
        assert "Arm refused" not in "\n".join(shown(play.console))


async def test_what_part_of_the_scope_refused_is_told(play: Scene) -> None:
    """Each prop that stayed behind is named."""
    why = (Refusal("not_tagged", "tagged by R. Alder", "only R. Alder lifts it"),)
    play.engine.answer = Reply(ok=True, done=("ice-saw",), refused={"brine-hand": why})
    async with at(play) as pilot:
        await press(pilot, "e", "a")
        text = "\n".join(shown(play.console))
        assert "Arm refused for 1 of 10 props" in text
        assert "brine-hand: tagged by R. Alder" in text


async def test_a_switch_offers_what_the_props_have(play: Scene) -> None:
    """By number or by arrows; the name goes out, not the number."""
    async with at(play) as pilot:
        await press(pilot, "s", "2")
        await press(pilot, "e", "s", "down", "enter")
        assert play.engine.asked[0] == ("switch", {"props": ["gate-hound"], "sequence": "shiver"})
        assert play.engine.asked[1][1]["sequence"] == "shiver"


async def test_hand_only_goes_there_and_back(play: Scene) -> None:
    """One key switches the sensor off, the same key on again."""
    async with at(play) as pilot:
        await press(pilot, "h", "down", "h")
        assert [args["on"] for _, args in play.engine.asked] == [True, False]


async def test_a_clear_takes_two_steps_and_a_reason(play: Scene) -> None:
    """No reason, no clear; Escape in either step asks nothing; the stop that is meant is named."""
    play.store.snapshot(latched())
    async with at(play) as pilot:
        await press(pilot, "c", "enter", "enter")
        assert play.engine.asked == []
        await press(pilot, *"seen", "enter", "escape")
        assert play.engine.asked == []
        await press(pilot, "c", *"seen", "enter", "enter")
        assert play.engine.asked == [("clear", {"stop": 5, "by": "P. Marsh", "why": "seen"})]


async def test_an_input_loses_ctrl_x_as_cut(play: Scene) -> None:
    """With an input focused the key stops everything and leaves the text alone."""
    play.store.snapshot(latched())
    async with at(play) as pilot:
        await press(pilot, "c", *"abc", "home", "shift+end", "ctrl+x")
        field = play.console.screen.focused
        assert isinstance(field, Input)
        assert field.value == "abc"
        assert play.stops.presses == [("key Ctrl+X", "P. Marsh")]


async def test_all_stop_from_the_palette(play: Scene) -> None:
    """It is the first command, and the name finds it too."""
    async with at(play) as pilot:
        await press(pilot, "ctrl+p", *"all-st", "enter")
        assert [source for source, _ in play.stops.presses] == ["key F9"]


async def test_the_palette_runs_what_it_finds(play: Scene) -> None:
    """Found by a part of its name, run on the screen below."""
    async with at(play) as pilot:
        await press(pilot, "ctrl+p", *"disarm", "enter")
        assert play.engine.asked == [("disarm", {"props": ["gate-hound"]})]


async def test_arming_again_is_one_confirmed_action(play: Scene) -> None:
    """The offer is in sight, the dialog names who would be armed and what to beware of."""
    site = play.store.site
    caution = "Air returns: stand clear."
    rearmed = replace(site, rearm=("gate-hound", "stoker"), rearm_caution=caution)
    play.store.patch({"site": rearmed}, [k for k in entities() if k.startswith("alarm/")])
    async with at(play) as pilot:
        await pilot.pause(0.3)
        assert "Armed before: 2 props. r arms them again." in "\n".join(shown(play.console))
        await press(pilot, "r")
        text = "\n".join(shown(play.console))
        assert "Gate hound, Stoker" in text
        assert caution in text
        await press(pilot, "enter")
        assert play.engine.asked == [("rearm", {})]


async def test_alarms_are_seen_one_by_one_or_all(play: Scene) -> None:
    """`k` for the one under the cursor, `K` for all of them."""
    async with at(play) as pilot:
        await press(pilot, "3", "down", "k", "K")
        assert [args["alarm"] for _, args in play.engine.asked] == ["fault-hoist", "all"]


async def test_leaving_out_names_the_controller(play: Scene) -> None:
    """Only one that did not confirm can be left out of a clear."""
    play.store.snapshot(latched())
    async with at(play) as pilot:
        await press(pilot, "2", "down", "l", "up", "l", "enter")
        want = {"controller": "boiler-hall-2", "by": "P. Marsh"}
        assert play.engine.asked == [("leave_out", want)]


async def test_a_service_says_what_was_done_to_which_part(play: Scene) -> None:
    """Part, motion and prop go out as the site file names them."""
    async with at(play) as pilot:
        await press(pilot, "5")
        await pilot.pause(0.2)
        await press(pilot, "v", "2", *"seals", "enter")
        name, args = play.engine.asked[0]
        assert name == "service"
        assert args == {
            "prop": "brine-hand", "motion": "arm", "part": "valve:listen",
            "kind": "replaced", "by": "P. Marsh", "note": "seals",
        }  # fmt: skip


async def test_the_ledger_begins_with_this_night_and_filters(play: Scene, tmp_path: Path) -> None:
    """The newest night first; what is exported is what was filtered."""
    async with at(play) as pilot:
        await press(pilot, "4")
        await pilot.pause(0.2)
        assert play.records.wanted[-1] == RecordFilter(night=3)
        await press(pilot, "p", "2")
        await pilot.pause(0.2)
        await press(pilot, "u", "2")
        await pilot.pause(0.2)
        want = RecordFilter(night=3, prop="gate-hound", outcome="done")
        await pilot.pause(0.2)
        assert play.records.wanted[-1].prop == "gate-hound"
        assert "prop gate-hound" in "\n".join(shown(play.console))
        await press(pilot, "x", "1", "enter")
        await pilot.pause(0.2)
        exported, kind, path = play.records.exported[0]
        assert (exported, kind) == (replace(want, outcome=exported.outcome), "csv")
        assert path.parent == Path.home()
        assert "Wrote 412 cycles to" in "\n".join(shown(play.console))


async def test_leaving_asks_while_a_night_is_open(play: Scene) -> None:
    """The engine is not told anything either way."""
    async with at(play) as pilot:
        await press(pilot, "q", "escape")
        assert play.console.return_code is None
        await press(pilot, "q", "enter")
        await pilot.pause(0.1)
    assert play.console.return_code == 0
    assert play.engine.asked == []


async def test_leaving_asks_nothing_between_nights(play: Scene) -> None:
    """No night, no question."""
    site = play.store.site
    play.store.patch({"site": replace(site, night=None)}, ())
    async with at(play) as pilot:
        await press(pilot, "q")
        await pilot.pause(0.1)
    assert play.console.return_code == 0


async def test_a_lost_engine_is_told_and_what_is_old_is_grey(play: Scene) -> None:
    """The banner is on every screen, the rows lose their colours, and all comes back."""
    async with at(play) as pilot:
        play.store.lost("the connection was closed")
        await pilot.pause(0.4)
        for key in "12345":
            await press(pilot, key)
            await pilot.pause(0.1)
            assert "ENGINE NOT HEARD" in "\n".join(shown(play.console))
        await press(pilot, "1")
        rows = play.console.screen.query_one("#floor", Rows)
        inks = {s.style.color for s in rows.render_line(2) if s.style and s.text.strip()}
        assert len(inks) == 1
        play.store.snapshot(entities())
        await pilot.pause(0.4)
        assert "ENGINE NOT HEARD" not in "\n".join(shown(play.console))


async def test_a_ledger_in_trouble_is_told_loudly(play: Scene) -> None:
    """With how many cycles the boards can still hold."""
    trouble = replace(play.store.site, ledger_trouble="disk full", cycles_boards_can_hold=112)
    play.store.patch({"site": trouble}, ())
    async with at(play) as pilot:
        await pilot.pause(0.3)
        text = "\n".join(shown(play.console))
        assert "LEDGER: disk full; the boards can hold 112 more cycles" in text


async def test_a_press_that_found_no_engine_is_told_on_the_bar(play: Scene) -> None:
    """Nobody may believe that all is stopped when nothing was sent."""
    async with at(play) as pilot:
        play.stops.unsent = True
        await pilot.pause(0.4)
        assert "NOT SENT" in shown(play.console)[-1]
        play.stops.unsent, play.stops.unanswered_s = False, 2.0
        await pilot.pause(0.4)
        assert "SENT, NO ANSWER for 2 s" in shown(play.console)[-1]


async def test_the_floor_s_key_closes_a_prop_s_page(play: Scene) -> None:
    """From the page and from another screen alike: 1 is the floor."""
    async with at(play) as pilot:
        await press(pilot, "enter", "1")
        assert isinstance(play.console.screen, Floor)
        await press(pilot, "enter", "3", "1")
        assert isinstance(play.console.screen, Floor)


async def test_ctrl_c_asks_to_leave(play: Scene) -> None:
    """What people press by habit asks like the key that is meant for it."""
    async with at(play) as pilot:
        await press(pilot, "ctrl+c")
        assert "A night is open. Leave?" in "\n".join(shown(play.console))


async def test_the_latched_stop_is_on_the_bar_of_every_screen(play: Scene) -> None:
    """With the time, how many confirmed, and who did not."""
    play.store.snapshot(latched())
    async with at(play) as pilot:
        for key in "12345":
            await press(pilot, key)
            await pilot.pause(0.3)
            bar = shown(play.console)[-1]
            assert "latched" in bar
            assert "4 of 5 · NOT CONFIRMED: boiler-hall" in bar


async def test_the_footer_tells_the_truth(play: Scene) -> None:
    """It shows what would do something now, and nothing that an input would swallow."""
    async with at(play, (120, 40)) as pilot:
        keys = play.console.screen.query_one(Keys)
        ids = [b.id for b in keys.usable()]
        assert "ask.arm" in ids
        assert "ask.mend" not in ids
        assert "ask.clear" not in ids
        assert "ask.open_night" not in ids
        play.store.patch({"stop": StopView(latched=True, id=1)}, ())
        await press(pilot, "end", "up")
        ids = [b.id for b in keys.usable()]
        assert ids[0] == "ask.clear"
        assert "ask.mend" in ids
        assert play.store.prop("hoist") is not None
        await press(pilot, "c")
        typed = play.console.screen.query_one(Keys)
        assert not any(prints(b.key) for b in typed.usable())
        assert "Esc" in text_of(typed.lines)


async def test_a_click_on_the_footer_presses_its_key(play: Scene) -> None:
    """The words are as good as the key."""
    async with at(play) as pilot:
        await pilot.click(Keys, offset=(9, 0))
        await pilot.pause(0.1)
        assert play.engine.asked == [("disarm", {"props": ["gate-hound"]})]


async def test_help_names_every_key_of_the_screen(play: Scene) -> None:
    """Read from the bindings, so it cannot differ from them."""
    async with at(play, (120, 40)) as pilot:
        usable = play.console.screen.query_one(Keys).usable()
        await press(pilot, "question_mark")
        await pilot.pause(0.3)
        text = text_of(play.console.screen.query_one("#read", Rows).lines)
        for binding in usable:
            assert binding.description in text
        assert "F9 ALL-STOP" in text


def test_every_action_that_has_a_key_is_bound_once() -> None:
    """One key never means two things on one screen; every binding has words for its help."""
    asked = [a for a in ACTIONS if a.key]
    # `hold` is the space bar of the test break's own dialog.
    assert [a.id for a in ACTIONS if not a.key] == ["hold"]
    shared = [*EVERYWHERE, *PLACES, *STOP_KEYS]
    for own in (FLOOR_WAYS, PROP_WAYS, ALARM_WAYS, LEDGER_WAYS):
        keys = [k for w in (*shared, *own) for k in w.key.split(",")]
        props = (
            [a.key for a in asked if a.scope != "site"] if own in (FLOOR_WAYS, PROP_WAYS) else []
        )
        keys += [a.key for a in asked if a.scope == "site"] + props
        assert len(keys) == len(set(keys)), sorted(keys)
        assert all(w.help and w.id for w in own)


def test_every_binding_has_an_id_and_a_tooltip() -> None:
    """So that each can be explained, and given another key by its id."""

    def under(kind: type) -> set[type]:
        return {kind, *(k for sub in kind.__subclasses__() for k in under(sub))}

    found = [
        binding
        for kind in {Console, Rows, *under(Place), *under(Dialog)}
        for binding in vars(kind).get("BINDINGS", ())
    ]
    assert len(found) > 60
    assert [b for b in found if not (b.id and b.tooltip and b.description)] == []


def test_stop_keys_are_no_printable_keys() -> None:
    """A printable key would type in one place and stop the night in another."""
    assert not any(prints(way.key) for way in STOP_KEYS)
    assert {way.key for way in STOP_KEYS} == {"f9", "ctrl+x"}


async def test_a_vanished_prop_takes_its_page_along_quietly(play: Scene) -> None:
    """Another site file may come with the next engine: the page says so and goes on."""
    async with at(play) as pilot:
        await press(pilot, "enter")
        left = {k: e for k, e in entities().items() if k != "prop/gate-hound"}
        play.store.snapshot(left)
        await pilot.pause(0.4)
        assert "does not know it any more" in "\n".join(shown(play.console))
        await press(pilot, "f", "a", "escape")
        assert play.engine.asked == []
        assert isinstance(play.store.site, SiteView)
        assert play.store.props[0].state is PropState.ARMED


async def test_a_board_that_stopped_by_itself_can_be_cleared(play: Scene) -> None:
    """A stop that only one controller holds is on the bar, and `c` names that stop."""
    play.store.patch({"stop": StopView(latched=False, id=9, strays=("ice-house-1",))}, ())
    async with at(play) as pilot:
        await pilot.pause(0.3)
        assert "still stopped: ice-house-1" in shown(play.console)[-1]
        await press(pilot, "c", *"seen", "enter", "enter")
        assert play.engine.asked[0][1]["stop"] == 9


async def test_two_keys_send_a_group(play: Scene) -> None:
    """One that asks, one for the strength; and one key for another like it."""
    async with at(play) as pilot:
        await press(pilot, "g", "2", "G")
        assert play.engine.asked == [
            ("send_group", {"strength": "mild", "by": "P. Marsh"}),
            ("repeat_group", {"by": "P. Marsh"}),
        ]


async def test_a_group_may_be_spared_something(play: Scene) -> None:
    """Size, exclusions and a note, in plain words."""
    async with at(play) as pilot:
        await press(pilot, "g", "5", "3", "6", "enter", *"fog", "comma", *"loud", "enter", "enter")
        assert play.engine.asked == [
            (
                "send_group",
                {
                    "strength": "standard", "size": 6, "exclude": ["fog", "loud"], "note": "",
                    "by": "P. Marsh",
                },
            )
        ]  # fmt: skip


async def test_a_group_is_put_where_it_is(play: Scene) -> None:
    """The chosen group on the walk, one zone on; its zone is kept quiet with one key."""
    async with at(play) as pilot:
        await press(pilot, "6", "down", "j", "1", "y")
        assert play.engine.asked == [
            ("correct_group", {"group": 15, "zone": "on"}),
            ("quiet_zone", {"zone": "boiler-hall", "by": "P. Marsh"}),
        ]


async def test_a_leak_test_takes_numbers_only(play: Scene) -> None:
    """A reading that is none is refused before it goes anywhere."""
    async with at(play) as pilot:
        await press(pilot, "7", "L", "9", "2", "enter", "9", "x", "enter", "3", "enter", "enter")
        assert play.engine.asked == []
        assert "a reading is no number" in "\n".join(shown(play.console))
        await press(pilot, "L", "9", "2", "enter", "9", "0", "enter", "3", "enter", "enter")
        want = {"from_psi": 92.0, "to_psi": 90.0, "minutes": 3.0, "by": "P. Marsh"}
        assert play.engine.asked == [("leak_test", want)]


async def test_every_action_of_the_table_can_be_asked(play: Scene) -> None:
    """An action that is added without words for it would never be offered."""
    async with at(play):
        assert [a.id for a in ACTIONS if not play.console._asker.knows(a)] == ["hold"]


async def test_a_tag_names_who_and_why(play: Scene) -> None:
    """After the order of a real lockout, which it replaces nothing of; a PIN shows as dots."""
    async with at(play, (80, 40)) as pilot:
        await press(pilot, "b")
        assert "replaces none of this" in "\n".join(shown(play.console))
        await press(pilot, *"hose", "enter", *"1234")
        assert "1234" not in "\n".join(shown(play.console))
        await press(pilot, "enter")
        want = {"prop": "gate-hound", "by": "P. Marsh", "reason": "hose", "pin": "1234"}
        assert play.engine.asked == [("tag", want)]


async def test_tags_are_lifted_only_where_there_are_any(play: Scene) -> None:
    """Lifting, handing over and the absent owner's way are offered on a tagged prop alone."""
    async with at(play) as pilot:
        await press(pilot, "B", "H", "Y", "T")
        assert play.engine.asked == []
        await press(pilot, *["down"] * 4, "B", "enter", "enter")
        assert play.engine.asked == [("untag", {"prop": "brine-hand", "by": "P. Marsh"})]


async def test_a_test_break_is_held_by_hand(play: Scene) -> None:
    """Motion, owner, everybody clear; then the space bar holds and Escape lets go."""
    door = play.store.prop("ice-house-door")
    assert door is not None
    play.store.patch({"prop/ice-house-door": replace(door, tags=("P. Marsh",))}, ())
    async with at(play) as pilot:
        await press(pilot, "down", "down", "T", "1", "enter", "enter", "enter")
        await pilot.pause(0.1)
        await press(pilot, "space", "escape")
        await pilot.pause(0.1)
        assert [name for name, _ in play.engine.asked] == ["test_break", "hold", "hold"]
        assert play.engine.asked[0][1] == {
            "prop": "ice-house-door", "by": "P. Marsh", "output": "lid", "people_clear": True,
        }  # fmt: skip
        assert [args["on"] for _, args in play.engine.asked[1:]] == [True, False]


async def test_an_override_names_its_check(play: Scene) -> None:
    """Only what may be overridden is offered, with a name and a reason."""
    hound = play.store.prop("gate-hound")
    assert hound is not None
    stays = Refusal("home", "not at home", "let it down")
    may = Refusal("checked", "not checked tonight", "check it", may_override=True)
    async with at(play) as pilot:
        await press(pilot, "V")
        play.store.patch({"prop/gate-hound": replace(hound, arm_refusals=(stays, may))}, ())
        await press(pilot, "V", "1", *"seen", "enter")
        want = {"prop": "gate-hound", "check": "checked", "by": "P. Marsh", "why": "seen"}
        assert play.engine.asked == [("override", want)]
