"""All-stop in virtual time: latched everywhere, over every loss, and cleared only on purpose."""

from __future__ import annotations

import pytest

from console.engine import effects as fx
from console.engine import events as ev
from console.engine.clock import Now
from console.views.models import PropState, StopProgress
from tests.engine.conftest import MakeNight
from tests.engine.night import Night


def all_off(here: Night) -> bool:
    """Whether no motion is switched on at any board (output 2 is a light that stays)."""
    return not any(board.outputs & ~2 for board in here.boards.values())


def test_a_stop_reaches_every_board_and_is_confirmed(night: MakeNight) -> None:
    """Outputs are off within milliseconds, every controller confirms, everything is stopped."""
    here = night(3)
    here.arm_all()
    for n in (1, 2, 3):
        here.trigger(f"board-{n}")
    here.run(60)
    assert not all_off(here)
    here.stop()
    here.run(3)
    assert all_off(here)
    here.until(lambda: all(here.state(f"prop-{n}") is PropState.STOPPED for n in (1, 2, 3)), 500)
    view = here.stop_view
    assert view.latched
    assert {c.progress for c in view.confirmations} == {StopProgress.CONFIRMED}
    assert [a.get("confirmed") for a in here.stop_answers if a.get("done")] == [3]


def test_what_one_board_says_every_other_hears_in_the_same_turn(
    night: MakeNight, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stop input's report puts stop byte and framed stop on every line, no further event."""
    here = night(3)
    here.arm_all()
    turns: list[list[fx.Effect]] = []
    handle = here.core.handle

    def kept(event: ev.Event, now: Now) -> list[fx.Effect]:
        turns.append(handle(event, now))
        return turns[-1]

    monkeypatch.setattr(here.core, "handle", kept)
    here.boards["board-1"].set_input(0, 0)
    here.until(lambda: here.stop_view.latched, 500, 1)
    turn = next(effects for effects in turns if fx.StopLines() in effects)
    framed = {e.line for e in turn if isinstance(e, fx.Send) and b"STOP" in e.data}
    assert framed == {"line-1", "line-2", "line-3"}


def test_nothing_runs_while_latched_and_all_is_disarmed_after_the_clear(night: MakeNight) -> None:
    """Arm and fire are refused with a reason; a clear starts nothing."""
    here = night()
    here.arm_all()
    here.stop()
    here.run(200)
    assert "not_stopped" in [r["check"] for r in here.ask("arm", props=["all"])["refused"]]
    here.trigger("board-1")
    here.run(500)
    assert all_off(here)
    assert here.ask("clear", stop=here.stop_view.id, by="mara", why="dropped a torch")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    here.run(1000)
    assert all_off(here)
    assert here.site_view.rearm == ("prop-1",)


def test_a_late_clear_lifts_no_newer_stop(night: MakeNight) -> None:
    """A stop that comes while a clear is being written down stays, under an id of its own."""
    here = night()
    here.arm_all()
    here.stop()
    here.run(200)
    first = here.stop_view.id
    here.after(5, here.stop)  # the clear needs 10 ms to be durable
    refused = here.ask("clear", stop=first, by="mara", why="seems fine")
    assert not refused["ok"]
    here.run(500)
    assert here.stop_view.latched
    assert here.stop_view.id != first
    assert here.state("prop-1") is PropState.STOPPED


def test_an_open_stop_input_stops_all_the_others(night: MakeNight) -> None:
    """A hardwired stop at one board stops every board, and keeps the clear away while open."""
    here = night(2)
    here.arm_all()
    here.boards["board-1"].set_input(0, 0)
    here.until(lambda: here.state("prop-2") is PropState.STOPPED, 300)
    assert here.stop_view.source == "hardwired stop at corner 1"
    here.run(1000)
    refused = here.ask("clear", stop=here.stop_view.id, by="mara", why="looked")
    assert "stop_input_closed" in [r["check"] for r in refused["refused"]]
    here.boards["board-1"].set_input(0, 1)
    here.run(1000)
    assert here.ask("clear", stop=here.stop_view.id, by="mara", why="looked")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    here.until(lambda: here.state("prop-2") is PropState.DISARMED)


def test_the_latch_outlives_the_engine(night: MakeNight) -> None:
    """A new engine finds the stop latched, with the same id, and no board is released."""
    here = night()
    here.arm_all()
    here.stop()
    here.run(200)
    stop = here.stop_view.id
    here.kill_engine()
    here.start_engine()
    here.until(here.live, 5000)
    here.run(500)
    assert here.stop_view.id == stop
    assert here.state("prop-1") is PropState.STOPPED
    assert [c.progress for c in here.stop_view.confirmations] == [StopProgress.CONFIRMED]


def test_a_board_that_comes_back_while_latched_is_stopped_first(night: MakeNight) -> None:
    """A reset board hears the stop before anything else and stays stopped."""
    here = night()
    here.stop()
    here.run(200)
    here.reset("board-1")
    here.until(lambda: here.state("prop-1") is PropState.STOPPED, 2000)
    here.boards["board-1"].set_input(1, 0)
    here.run(2000)
    assert all_off(here)


def test_a_board_that_does_not_confirm_can_be_left_out_and_stays_stopped(night: MakeNight) -> None:
    """The clear waits for every board or names those left out, which come back stopped."""
    here = night(2)
    here.arm_all()
    here.unplug("line-2")
    here.stop()
    here.run(2000)
    progress = {c.controller: c.progress for c in here.stop_view.confirmations}
    assert progress["board-2"] is StopProgress.NOT_CONFIRMED
    assert "stop-not-confirmed/board-2" in here.alarms()
    stop = here.stop_view.id
    assert not here.ask("clear", stop=stop, by="mara", why="looked")["ok"]
    assert here.ask("leave_out", controller="board-2", by="mara")["ok"]
    assert here.ask("clear", stop=stop, by="mara", why="looked")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    here.plug("line-2")
    here.run(3000)
    assert not here.stop_view.latched


def test_a_left_out_board_keeps_its_stop_until_cleared_by_name(night: MakeNight) -> None:
    """Left out while it is there: it stays stopped after the clear, then has a clear of its own."""
    here = night(2)
    here.stop()
    here.run(300)
    stop = here.stop_view.id
    assert here.ask("leave_out", controller="board-2", by="mara")["ok"]
    assert here.ask("clear", stop=stop, by="mara", why="looked")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    here.run(1000)
    assert here.state("prop-2") is PropState.STOPPED
    assert here.stop_view.strays == ("board-2",)
    assert "stray-stop/board-2" in here.alarms()
    assert here.ask("clear", stop=here.stop_view.id, by="mara", why="air is back")["ok"]
    here.until(lambda: here.state("prop-2") is PropState.DISARMED)
    here.run(300)
    assert not here.stop_view.strays
    assert not here.alarms()


def test_a_stray_stop_byte_keeps_one_board_stopped(night: MakeNight) -> None:
    """A stop byte that nobody here sent stops its board alone, with an alarm."""
    here = night(2)
    here.arm_all()
    here._to_boards(here.wires["line-1"], b"\x18")
    here.until(lambda: here.state("prop-1") is PropState.STOPPED)
    here.run(1000)
    assert here.state("prop-2") is PropState.ARMED
    assert not here.stop_view.latched
    assert "stray-stop/board-1" in here.alarms()


def test_a_stop_cancels_what_was_asked(night: MakeNight) -> None:
    """An arming that was under way when the stop came never arms."""
    here = night()
    here.wires["line-1"].lose = lambda data: b"" if b" ARM " in data else data
    assert here.ask("arm", props=["prop-1"])["ok"]
    here.run(50)
    here.stop()
    here.wires["line-1"].lose = lambda data: data
    here.run(300)
    assert here.ask("clear", stop=here.stop_view.id, by="m", why="w")["ok"]
    here.run(3000)
    assert here.state("prop-1") is PropState.DISARMED


def test_a_stop_is_latched_on_a_full_disk(night: MakeNight) -> None:
    """With no room for the ledger the stop holds, and its clear is refused."""
    here = night()
    here.disk_full = True
    here.stop()
    here.run(1500)
    assert here.state("prop-1") is PropState.STOPPED
    refused = here.ask("clear", stop=here.stop_view.id, by="m", why="w")
    assert [r["check"] for r in refused["refused"]] == ["durable"]


def test_losing_a_named_controller_in_mid_cycle_stops_all(night: MakeNight) -> None:
    """Where the site file says so, a board lost while its prop runs is an all-stop."""
    here = night(2, rules="rules: {stop_when_lost_running: [board-1]}")
    here.arm_all()
    here.ask("switch", props=["prop-1"], sequence="slow")
    here.run(100)
    here.trigger("board-1")
    here.until(lambda: here.state("prop-1") is PropState.RUNNING)
    here.unplug("line-1")
    here.until(lambda: here.state("prop-2") is PropState.STOPPED)
    assert "lost" in here.stop_view.source


def test_every_board_of_a_shared_line_is_stopped(night: MakeNight) -> None:
    """On a polled line one byte reaches all boards, and each confirms in its turn."""
    here = night(4, shared=True)
    here.arm_all()
    here.stop()
    here.run(3)
    assert all_off(here)
    here.until(
        lambda: {c.progress for c in here.stop_view.confirmations} == {StopProgress.CONFIRMED}, 1500
    )


def test_a_clear_that_cannot_be_written_is_refused_and_never_happens_later(
    night: MakeNight,
) -> None:
    """The disk that turns out full under a clear keeps the stop, also when there is room again."""
    here = night()
    here.stop()
    here.run(300)
    stop = here.stop_view.id
    here.disk_full = True
    refused = here.ask("clear", stop=stop, by="mara", why="looked")
    assert [r["check"] for r in refused["refused"]] == ["durable"]
    here.disk_full = False
    here.run(3000)
    assert here.stop_view.latched
    assert here.state("prop-1") is PropState.STOPPED
    assert here.ask("clear", stop=stop, by="mara", why="looked")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
