"""Notes, incidents, pauses and handovers in a running night."""

from __future__ import annotations

from console.ledger.reader import Reader
from console.ledger.rows import EventRow, Filter
from console.views.models import PropState, SiteView
from tests.engine.conftest import MakeNight
from tests.engine.night import Night


def events(night: Night, kind: str) -> list[EventRow]:
    """What the ledger holds of this kind."""
    night.until(lambda: night.core.recorder.waiting == 0)
    with Reader.open(night.path) as reader:
        return list(reader.events(Filter(kind=kind)))


def site(night: Night) -> SiteView:
    """The site as consoles see it."""
    view = night.core.view("site")
    assert isinstance(view, SiteView)
    return view


def test_a_note_keeps_what_happened_before_it(night: MakeNight) -> None:
    """The two minutes before a note are kept with it, and no more."""
    here = night()
    here.arm_all()
    here.run(130_000)
    here.trigger("board-1")
    here.until(lambda: here.prop("prop-1").last_cycles)
    assert here.ask("note", text="guest slipped", by="Ada", prop="prop-1")["ok"]
    (row,) = events(here, "note")
    assert row.subject == "prop-1"
    before = row.detail["before"]
    assert isinstance(before, list)
    assert any(b["kind"] == "cycle by sensor" for b in before)
    assert all(b["at_ns"] >= row.wall_ns - 120 * 10**9 for b in before)
    assert here.state("prop-1") is not PropState.DISARMED


def test_an_incident_disarms_its_prop_and_leaves_it_out(night: MakeNight) -> None:
    """After an incident its prop is armed by nobody's arm-all, only by itself."""
    here = night(2)
    assert here.ask("open_night", by="Ada")["ok"]
    here.arm_all()
    assert here.ask("note", text="hit a hand", by="Ada", prop="prop-1", incident=True)["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    assert "prop-1" not in site(here).rearm
    answer = here.ask("arm", props=["all"])
    assert answer["result"]["done"] == ["prop-2"]
    assert here.ask("arm", props=["prop-1"])["ok"]
    here.until(lambda: here.state("prop-1") is PropState.ARMED)
    assert len(events(here, "incident")) == 1


def test_a_pause_holds_everything_and_resumes_as_it_was(night: MakeNight) -> None:
    """Paused, nothing is armed and no group goes, over an engine's death too; resuming offers
    what was armed."""
    here = night(3)
    assert not here.ask("pause", by="Ada", why="rain")["ok"]
    assert here.ask("open_night", by="Ada")["ok"]
    here.arm_all()
    assert here.ask("disarm", props=["prop-3"])["ok"]
    here.until(lambda: here.state("prop-3") is PropState.DISARMED)
    assert here.ask("pause", by="Ada", why="thunderstorm")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    assert site(here).paused
    assert not here.ask("arm", props=["all"])["ok"]
    assert not here.ask("send_group", size=4, strength="mild")["ok"]
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    assert site(here).paused
    assert site(here).rearm == ()
    assert here.ask("resume", by="Bo")["ok"]
    assert set(site(here).rearm) == {"prop-1", "prop-2"}
    assert here.ask("rearm")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.ARMED)
    here.run(500)
    assert here.state("prop-3") is PropState.DISARMED


def test_a_handover_names_both_and_what_stands_open(night: MakeNight) -> None:
    """Tags, overrides, incidents and props left out are on the page and in the ledger."""
    here = night(2)
    assert here.ask("open_night", by="Ada")["ok"]
    assert here.ask("arm", props=["prop-2"])["ok"]
    assert here.ask("tag", prop="prop-1", by="Cy", reason="hose")["ok"]
    here.until(lambda: here.state("prop-2") is PropState.ARMED)
    answer = here.ask("hand_over", by="Ada", to="Bo", note="quiet so far")
    assert answer["ok"]
    (row,) = events(here, "handover")
    assert (row.by, row.detail["to"]) == ("Ada", "Bo")
    assert row.detail["tags"] == {"prop-1": ["Cy"]} == answer["result"]["tags"]
    assert row.detail["not_armed"] == ["prop-1"]
