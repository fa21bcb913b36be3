"""The opening check in a running night, on the firmware in virtual time."""

from __future__ import annotations

from console.views.models import PropFlag, PropState
from tests.opening.conftest import MakeYard
from tests.opening.opening_people import (
    PERSON,
    events,
    opening,
    press_stops,
    row,
    test_fire,
    walk_all,
    walk_prop,
    walk_site,
)

PROP = "prop-1"


def test_a_site_that_does_not_ask_goes_on_as_before(yard: MakeYard) -> None:
    """Without `required` nothing is closed; the walk is there for who wants it."""
    here = yard(required=False)
    here.arm_all()
    assert PropFlag.UNCHECKED not in here.prop(PROP).flags
    assert opening(here).of > 0
    assert not opening(here).required


def test_an_unchecked_prop_is_neither_armed_nor_fired(yard: MakeYard) -> None:
    """It says so by flag and refusal, may be tested, and passes item by item."""
    here = yard(1)
    assert here.ask("open_night", by=PERSON)["ok"]
    here.run(600)
    assert PropFlag.UNCHECKED in here.prop(PROP).flags
    refused = here.ask("arm", props=[PROP])["refused"]
    assert [(r["check"], r["may_override"]) for r in refused] == [("checked", True)]
    assert "checked" in {r.check for r in here.prop(PROP).fire_refusals}
    walk_prop(here, PROP)
    here.run(600)
    assert not here.ask("arm", props=[PROP])["ok"], "its stop was not pressed yet"
    press_stops(here)
    here.run(600)
    assert PropFlag.UNCHECKED not in here.prop(PROP).flags
    assert here.ask("arm", props=[PROP])["ok"]
    here.until(lambda: here.state(PROP) is PropState.ARMED)
    assert opening(here).next == ("site", "air"), "chores close no prop"


def test_single_props_are_closed_and_never_the_night(yard: MakeYard) -> None:
    """What has passed is armed while the other has not, and an override by name opens that one."""
    here = yard(2)
    assert here.ask("open_night", by=PERSON)["ok"]
    walk_prop(here, PROP)
    press_stops(here)
    here.run(600)
    answer = here.ask("arm", props=["all"])
    assert answer["result"]["done"] == [PROP]
    assert list(answer["result"]["refused"]) == ["prop-2"]
    assert opening(here).unchecked == ("prop-2",)
    assert here.ask("override", prop="prop-2", check="checked", by=PERSON, why="seen at noon")["ok"]
    assert here.ask("arm", props=["prop-2"])["ok"]
    assert here.prop("prop-2").overrides == ("checked (by Ada)",)


def test_the_whole_check_is_kept_and_taken_up_again(yard: MakeYard) -> None:
    """Every item is in the ledger, by whom and with its reading; a new engine goes on from it."""
    here = yard(2)
    assert here.ask("open_night", by=PERSON)["ok"]
    walk_prop(here, PROP)
    here.run(600)
    half = opening(here).done
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    here.run(600)
    assert opening(here).done == half
    assert row(here, PROP, "gauge").reading == "61 psi"
    assert row(here, PROP, "gauge").by == PERSON
    walk_prop(here, "prop-2")
    press_stops(here)
    walk_site(here)
    here.run(600)
    view = opening(here)
    assert (view.done, view.next, view.unchecked) == (view.of, (), ())
    kept = {(e.subject, e.detail["item"]): e for e in events(here, "check")}
    assert kept["site", "stop-key"].detail["reading"] == "key F9"
    assert kept["board-2", "stop-input"].by == ""
    assert kept["prop-2", "tested"].by == PERSON
    assert len(kept) == len(events(here, "check")) == sum(i.done for i in view.items)


def test_stops_are_judged_by_what_happened(yard: MakeYard) -> None:
    """Neither a key nor a stop can be ticked off; a controller that is silent is named."""
    here = yard(2)
    assert here.ask("open_night", by=PERSON)["ok"]
    assert not here.ask("check", item="stop-key", by=PERSON)["ok"]
    assert not here.ask("check", prop="board-1", item="stop-input", by=PERSON)["ok"]
    here.unplug("line-2")
    here.run(1000)
    here.stop("shell")
    here.run(2500)
    assert row(here, "site", "all-stop").said == "not confirmed in time: board-2"
    assert row(here, "site", "stop-key").said == "not pressed yet"
    assert not row(here, "site", "all-stop").done


def test_names_come_from_the_shift(yard: MakeYard) -> None:
    """Who opened the night is signed in, others sign in; a stranger says nothing."""
    here = yard(1)
    assert not here.ask("sign_in", by="Bo")["ok"]
    assert here.ask("open_night", by=PERSON)["ok"]
    here.run(600)
    assert not here.ask("check", item="chore-1", by="Bo")["ok"]
    assert here.ask("sign_in", by="Bo")["ok"]
    assert here.ask("sign_in", by="bo")["result"]["shift"] == [PERSON, "Bo"]
    assert here.ask("check", item="chore-1", by="BO")["ok"]
    assert row(here, "site", "chore-1").by == "Bo"
    assert here.ask("hand_over", by=PERSON, to="Cy")["ok"]
    assert opening(here).shift == (PERSON, "Bo", "Cy")
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    assert opening(here).shift == (PERSON, "Bo", "Cy")


def test_a_tick_is_taken_back(yard: MakeYard) -> None:
    """What a person said can be taken back, what is judged by itself cannot."""
    here = yard(1)
    assert here.ask("open_night", by=PERSON)["ok"]
    here.run(600)
    assert here.ask("check", item="chore-1", by=PERSON)["ok"]
    assert here.ask("uncheck", item="chore-1", by=PERSON)["ok"]
    assert not row(here, "site", "chore-1").done
    assert not here.ask("uncheck", item="chore-1", by=PERSON)["ok"]
    assert not here.ask("uncheck", prop=PROP, item="found", by=PERSON)["ok"]
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    assert not row(here, "site", "chore-1").done


def test_a_recheck_takes_under_a_minute_and_closes_one_prop(yard: MakeYard) -> None:
    """It is disarmed and its items begin anew, with an older test no longer counting; its
    controller's stop stays tested, so that no other prop is stopped for it."""
    here = yard(2)
    assert here.ask("open_night", by=PERSON)["ok"]
    walk_all(here)
    here.arm_all()
    began_ms = here.now_ms
    assert here.ask("recheck", prop=PROP, by=PERSON)["ok"]
    here.until(lambda: here.state(PROP) is PropState.DISARMED)
    here.run(600)
    assert opening(here).unchecked == (PROP,)
    assert not here.ask("check", prop=PROP, item="tested", by=PERSON)["ok"]
    assert not here.ask("arm", props=[PROP])["ok"]
    assert PROP not in here.site_view.rearm
    test_fire(here, PROP)
    assert here.ask("check", prop=PROP, item="gauge", by=PERSON, reading="60")["ok"]
    here.run(600)
    assert here.ask("arm", props=[PROP])["ok"]
    here.until(lambda: here.state(PROP) is PropState.ARMED)
    assert here.now_ms - began_ms < 60_000
    assert here.state("prop-2") is PropState.ARMED
    assert len(events(here, "check-undone")) == 1


def test_another_night_begins_anew(yard: MakeYard) -> None:
    """What passed yesterday says nothing about tonight."""
    here = yard(1)
    assert here.ask("open_night", by=PERSON)["ok"]
    walk_all(here)
    assert opening(here).unchecked == ()
    assert here.ask("close_night", by=PERSON)["ok"]
    here.until(lambda: here.core.world.night is None)
    assert not here.ask("arm", props=[PROP])["ok"]
    assert here.ask("open_night", by="Bo")["ok"]
    here.run(600)
    assert opening(here).unchecked == (PROP,)
    assert opening(here).shift == ("Bo",)
    assert row(here, "site", "leak-test").done, "a leak test holds for its days"


def test_opening_up_arms_one_after_another(yard: MakeYard) -> None:
    """In walking order, a second apart; what is tagged is left out and said."""
    here = yard(3)
    assert here.ask("open_night", by=PERSON)["ok"]
    walk_all(here)
    assert here.ask("tag", prop="prop-2", by="Cy", reason="hose")["ok"]
    answer = here.ask("open_up", by=PERSON)
    assert answer["result"]["done"] == [PROP, "prop-3"]
    assert list(answer["result"]["refused"]) == ["prop-2"]
    here.until(lambda: here.state(PROP) is PropState.ARMED, 1000)
    assert here.state("prop-3") is PropState.DISARMED
    assert opening(here).arming == ("prop-3",)
    here.until(lambda: here.state("prop-3") is PropState.ARMED, 2000)
    assert opening(here).arming == ()
    assert here.state("prop-2") is PropState.DISARMED


def test_a_stop_or_a_disarm_ends_opening_up(yard: MakeYard) -> None:
    """Nothing is armed behind the back of somebody who said no."""
    here = yard(3, required=False)
    assert here.ask("open_night", by=PERSON)["ok"]
    assert here.ask("open_up", by=PERSON)["ok"]
    here.until(lambda: here.state(PROP) is PropState.ARMED, 1000)
    assert here.ask("disarm", props=["prop-2"])["ok"]
    here.stop()
    here.run(1000)
    assert opening(here).arming == ()
    assert here.ask("clear", stop=here.stop_view.id, by=PERSON, why="test")["ok"]
    here.run(5000)
    assert all(here.state(p.name) is PropState.DISARMED for p in here.site.props)
    assert not here.ask("open_up", by="nobody")["ok"]


def test_closing_up_waits_for_the_last_group_and_lists_what_is_left(yard: MakeYard) -> None:
    """Disarmed, then parked, bled down, drained and locked, each by name."""
    here = yard(1, required=False)
    assert here.ask("open_night", by=PERSON)["ok"]
    here.arm_all()
    assert here.ask("send_group", size=4, strength="standard", by=PERSON)["ok"]
    refused = here.ask("close_up", by=PERSON)
    assert "in the walk" in refused["refused"][0]["reason"]
    assert here.state(PROP) is PropState.ARMED
    assert here.ask("close_up", by=PERSON, anyway=True)["ok"]
    here.until(lambda: here.state(PROP) is PropState.DISARMED)
    view = opening(here)
    assert view.closing
    assert [i.item for i in view.items] == ["park", "bleed", "drain", "closing-1"]
    assert here.ask("check", prop=PROP, item="park", by=PERSON)["ok"]
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    assert opening(here).closing
    for name in ("bleed", "drain", "closing-1"):
        assert here.ask("check", item=name, by=PERSON)["ok"]
    assert opening(here).next == ()
    assert here.ask("close_night", by=PERSON)["ok"]


def test_the_disk_is_full_and_nothing_is_said_to_be_checked(yard: MakeYard) -> None:
    """What cannot be written down does not count."""
    here = yard(1)
    assert here.ask("open_night", by=PERSON)["ok"]
    here.run(600)
    here.disk_full = True
    assert not here.ask("check", item="chore-1", by=PERSON)["ok"]
    assert not row(here, "site", "chore-1").done


def test_a_cold_evening_offers_warm_up_and_closes_nothing_by_it(yard: MakeYard) -> None:
    """Below the site file's limit each prop's warm-up is listed and counted by its tests."""
    here = yard(1)
    assert here.ask("open_night", by=PERSON)["ok"]
    here.run(600)
    of = opening(here).of
    assert here.ask("check", item="temperature", by=PERSON, reading="3 degC")["ok"]
    here.run(600)
    assert row(here, "site", "temperature").reading == "37 degF"
    assert row(here, PROP, "warm-up").said == "0 of 2"
    assert opening(here).of == of
    test_fire(here, PROP)
    here.run(600)
    assert row(here, PROP, "warm-up").said == "1 of 2"
    test_fire(here, PROP)
    here.run(600)
    assert row(here, PROP, "warm-up").done
