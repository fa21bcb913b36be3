"""A night in virtual time: arming, triggers, fires, switches, losses, counts."""

from __future__ import annotations

from pathlib import Path

from console.engine import events as ev
from console.ledger.reader import Reader
from console.site.loading import load
from console.views.models import PropFlag, PropState
from tests.engine.conftest import MakeNight
from tests.engine.night import Night


def counts_agree(night: Night) -> None:
    """For every board: baseline, stored cycles and gaps add up to the board's own counter."""
    night.until(lambda: night.core.recorder.waiting == 0, 10_000)
    known = night.ledger.known_counters()
    for name, prop in night.core.world.props.items():
        assert prop.report is not None, name
        board = night.core.world.controller_of(prop).controller.board_id
        row = known[board, prop.report.life, prop.prop.index]
        assert row.highest == prop.report.number
        assert row.baseline + row.stored + row.gaps == prop.report.number


def test_a_board_is_found_set_up_and_lands_disarmed(night: MakeNight) -> None:
    """After hello and upload every prop is disarmed, with the sequence of the site file."""
    here = night(2)
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    assert here.prop("prop-1").sequence == "go"
    assert not here.alarms()


def test_a_trigger_makes_a_cycle_that_is_counted_once(night: MakeNight) -> None:
    """An armed prop follows its sensor; the cycle goes to the ledger, and the board forgets it."""
    here = night()
    assert here.ask("open_night", by="mara")["ok"]
    here.arm_all()
    here.trigger("board-1")
    here.until(lambda: here.state("prop-1") is PropState.RUNNING)
    here.until(lambda: here.prop("prop-1").cycles_tonight == 1)
    view = here.prop("prop-1")
    assert (view.last_trigger, view.cycles_life) == ("sensor", 1)
    assert view.last_cycles[0].sequence == "go"
    here.until(lambda: here.core.world.props["prop-1"].report.oldest == 0)
    counts_agree(here)


def test_a_cycle_is_dated_within_20_ms(night: MakeNight) -> None:
    """The wall time of a cycle is that of its trigger, within the bound that is stored with it."""
    here = night()
    here.arm_all()
    pressed = here.now.wall_ns + 10_000_000  # the debounce time
    here.trigger("board-1")
    here.until(lambda: here.prop("prop-1").last_cycles)
    off_ms = abs(here.prop("prop-1").last_cycles[0].started_wall_ns - pressed) / 1e6
    assert off_ms < 20


def test_a_fire_by_hand_runs_one_cycle(night: MakeNight) -> None:
    """Fire needs an armed prop, runs once, and is refused while the prop rests."""
    here = night()
    refused = here.ask("fire", prop="prop-1")
    assert [r["check"] for r in refused["refused"]] == ["armed"]
    here.arm_all()
    assert here.ask("fire", prop="prop-1")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.RESTING)
    refused = here.ask("fire", prop="prop-1")
    assert [r["check"] for r in refused["refused"]] == ["rested"]
    here.until(lambda: here.state("prop-1") is PropState.ARMED)
    assert here.prop("prop-1").cycles_life == 1
    counts_agree(here)


def test_a_lost_answer_never_fires_twice(night: MakeNight) -> None:
    """A fire whose answers are lost is repeated under its id and runs one cycle."""
    here = night()
    here.arm_all()
    lost = 0

    def lose(data: bytes) -> bytes:
        nonlocal lost
        if b" YES " in data and lost < 2:
            lost += 1
            return b""
        return data

    here.wires["line-1"].lose = lose
    assert here.ask("fire", prop="prop-1")["ok"]
    here.run(3000)
    assert lost == 2
    assert here.prop("prop-1").cycles_life == 1


def test_a_fire_that_nobody_answered_is_not_sent_again(night: MakeNight) -> None:
    """With the line dead at the moment of a fire the operator is told, and nothing runs later."""
    here = night()
    here.arm_all()
    here.wires["line-1"].lose = lambda data: b""
    assert here.ask("fire", prop="prop-1")["ok"]
    here.run(5000)
    assert "outcome-unknown/prop-1" in here.alarms()
    here.wires["line-1"].lose = lambda data: data
    here.until(lambda: here.state("prop-1") is PropState.DISARMED, 10_000)
    here.run(2000)
    assert here.prop("prop-1").cycles_life == 0


def test_a_switch_in_mid_cycle_is_pending_until_it_is_over(night: MakeNight) -> None:
    """The running sequence plays to its end; the one asked for shows until it is the active one."""
    here = night()
    here.arm_all()
    assert here.ask("switch", props=["prop-1"], sequence="slow")["ok"]
    here.until(lambda: here.prop("prop-1").sequence == "slow")
    here.trigger("board-1")
    here.until(lambda: here.state("prop-1") is PropState.RUNNING)
    assert here.ask("switch", props=["prop-1"], sequence="go")["ok"]
    here.run(100)
    view = here.prop("prop-1")
    assert (view.sequence, view.asked_sequence, view.running_sequence) == ("slow", "go", "slow")
    here.until(lambda: here.state("prop-1") is PropState.ARMED)
    view = here.prop("prop-1")
    assert (view.sequence, view.asked_sequence) == ("go", "")


def test_hand_only_ignores_the_sensor_and_heeds_the_button(night: MakeNight) -> None:
    """With the sensor source off a guest starts nothing; a helper's button does."""
    here = night()
    here.arm_all()
    assert here.ask("hand_only", props=["prop-1"], on=True)["ok"]
    here.until(lambda: PropFlag.HAND_ONLY in here.prop("prop-1").flags)
    here.run(500)
    here.trigger("board-1")
    here.run(1000)
    assert here.prop("prop-1").cycles_life == 0
    here.trigger("board-1", 2)
    here.until(lambda: here.prop("prop-1").last_cycles)
    assert here.prop("prop-1").last_cycles[0].trigger == "actor"


def test_a_test_runs_disarmed_and_is_counted(night: MakeNight) -> None:
    """A test names its sequence, leaves the prop disarmed and is a cycle with its own trigger."""
    here = night()
    assert here.ask("test", prop="prop-1", sequence="slow")["ok"]
    here.until(lambda: here.prop("prop-1").last_cycles)
    assert here.prop("prop-1").last_cycles[0].trigger == "test"
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    assert not here.ask("test", prop="prop-1", sequence="none")["ok"]


def test_a_board_reset_in_mid_night_is_told_and_lands_disarmed(night: MakeNight) -> None:
    """After a reset the board is set up again, disarmed, and what was armed is on offer."""
    here = night()
    here.ask("open_night", by="mara")
    here.run(10_000)
    here.arm_all()
    reset_ms = here.now_ms
    here.reset("board-1")
    here.until(lambda: here.site_view.rearm == ("prop-1",))
    here.until(lambda: here.live() and here.state("prop-1") is PropState.DISARMED)
    assert here.now_ms - reset_ms < 1000
    assert "controller-reset/board-1" in here.alarms()
    assert here.ask("rearm")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.ARMED)
    assert here.site_view.rearm == ()


def test_a_replugged_line_comes_back_with_what_it_counted(night: MakeNight) -> None:
    """While the line is out the board disarms itself; its cycles are fetched afterwards."""
    here = night()
    here.ask("open_night", by="mara")
    here.arm_all()
    here.trigger("board-1")
    here.run(150)
    here.unplug("line-1")
    assert here.state("prop-1") is PropState.OFFLINE
    here.run(5000)
    assert "controller-lost/board-1" in here.alarms()
    here.plug("line-1")
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    here.until(lambda: here.prop("prop-1").cycles_tonight == 1)
    here.run(300)
    assert not here.alarms()
    counts_agree(here)


def test_several_boards_gone_on_one_line_are_one_alarm(night: MakeNight) -> None:
    """A shared line that is pulled is one alarm, and none for each of its boards."""
    here = night(3, shared=True)
    here.unplug("line-1")
    here.run(3000)
    assert list(here.alarms()) == ["line-lost/line-1"]
    here.plug("line-1")
    here.until(here.live, 10_000)
    here.run(1000)
    assert not here.alarms()


def test_an_engine_that_dies_is_followed_by_one_that_fetches_everything(night: MakeNight) -> None:
    """Cycles made while no engine lived are dated by the stored clock and counted once."""
    here = night()
    here.ask("open_night", by="mara")
    here.arm_all()
    here.kill_engine()
    here.ended = True
    here.trigger("board-1")
    at_ns = here.now.wall_ns
    here.run(3000)
    here.start_engine()
    here.until(lambda: here.prop("prop-1").cycles_tonight == 1, 10_000)
    cycle = here.prop("prop-1").last_cycles[0]
    assert abs(cycle.started_wall_ns - at_ns) < 50_000_000
    assert here.state("prop-1") is PropState.DISARMED
    assert here.site_view.rearm == ("prop-1",)
    counts_agree(here)


def test_a_full_disk_stops_no_prop_and_loses_no_cycle(night: MakeNight) -> None:
    """While nothing can be written cycles go on, nothing is acknowledged, clear is refused."""
    here = night()
    here.ask("open_night", by="mara")
    here.arm_all()
    here.disk_full = True
    for _ in range(3):
        here.trigger("board-1")
        here.run(1000)
    assert "ledger-trouble/ledger" in here.alarms()
    assert here.site_view.cycles_boards_can_hold is not None
    assert not here.ask("service", part="valve", prop="prop-1", kind="service", by="m", note="")[
        "ok"
    ]
    here.disk_full = False
    here.until(lambda: here.prop("prop-1").cycles_tonight == 3)
    assert "ledger-trouble/ledger" not in here.alarms()
    counts_agree(here)


def test_nobody_watching_lights_the_alarm_lights_and_may_disarm(night: MakeNight) -> None:
    """After a minute of an open night without a console there is an alarm, a light, a disarm."""
    here = night(rules="rules: {disarm_without_console: yes}")
    here.ask("open_night", by="mara")
    here.arm_all()
    here.run(65_000)
    assert "no-console/site" in here.alarms()
    assert here.state("prop-1") is PropState.DISARMED
    assert here.boards["board-1"].board.lamp
    assert here.site_view.rearm == ("prop-1",)


def test_a_clock_that_is_set_is_told_and_reorders_nothing(night: MakeNight) -> None:
    """An hour back at the end of daylight saving changes dates, not the order of arrival."""
    here = night()
    here.arm_all()
    here.trigger("board-1")
    here.run(1500)
    here.wall_offset_ns -= 3_600_000_000_000
    here.run(500)
    here.trigger("board-1")
    here.until(lambda: len(here.prop("prop-1").last_cycles) == 2)
    assert "clock-jump/site" in here.alarms()
    assert [c.number for c in here.prop("prop-1").last_cycles] == [2, 1]


def test_a_changed_site_file_is_asked_about_while_a_night_is_open(
    night: MakeNight, folder: Path
) -> None:
    """The board keeps its old sequences, nothing arms, and `upload` sends the new ones."""
    here = night()
    here.ask("open_night", by="mara")
    here.kill_engine()
    path = folder / "yard.yaml"
    path.write_text(path.read_text().replace("length: 200 ms", "length: 260 ms"))
    here.site = load(path)
    here.start_engine()
    here.run(3000)
    assert "setup-differs/board-1" in here.alarms()
    assert PropFlag.NOT_MATCHING in here.prop("prop-1").flags
    refused = here.ask("arm", props=["prop-1"])
    assert [r["check"] for r in refused["refused"]] == ["matching"]
    assert here.ask("upload", controller="board-1")["ok"]
    here.until(here.live)
    assert "setup-differs/board-1" not in here.alarms()
    here.arm_all()


def test_a_changed_site_file_is_sent_unasked_before_the_night(
    night: MakeNight, folder: Path
) -> None:
    """With no night open what differs is replaced at once."""
    here = night()
    here.kill_engine()
    path = folder / "yard.yaml"
    path.write_text(path.read_text().replace("length: 200 ms", "length: 260 ms"))
    here.site = load(path)
    here.start_engine()
    here.until(here.live)
    assert not here.alarms()


def test_an_engine_that_nobody_needs_ends_after_ten_minutes(night: MakeNight) -> None:
    """Started by a console, it ends ten minutes after the last one, unless a night is open."""
    here = night(auto=True)
    here.feed(ev.ClientCame(5, "console", "mara"))
    here.run(700_000)
    assert not here.ended
    here.feed(ev.ClientLeft(5))
    here.run(590_000)
    assert not here.ended
    here.run(20_000)
    assert here.ended


def test_an_open_night_keeps_the_engine(night: MakeNight) -> None:
    """A night without a console is an alarm, no reason to go."""
    here = night(auto=True)
    here.ask("open_night", by="mara")
    here.run(700_000)
    assert not here.ended


def test_closing_the_last_console_stops_where_the_site_file_asks(night: MakeNight) -> None:
    """With one console left nothing happens; with none, everything that was armed stops."""
    here = night(rules="rules: {stop_when_last_console_closes: yes}")
    here.feed(ev.ClientCame(5, "console", "mara"))
    here.feed(ev.ClientCame(6, "console", "jon"))
    here.arm_all()
    here.feed(ev.ClientLeft(5))
    here.run(500)
    assert here.state("prop-1") is PropState.ARMED
    here.feed(ev.ClientLeft(6))
    here.run(500)
    assert here.state("prop-1") is PropState.STOPPED
    assert here.stop_view.source == "the last console was closed"


def test_the_closed_night_leaves_everything_disarmed(night: MakeNight) -> None:
    """Closing disarms, ends the count, and offers nothing for arming again."""
    here = night()
    assert here.ask("open_night", by="mara")["ok"]
    assert not here.ask("open_night", by="mara")["ok"]
    here.arm_all()
    assert here.ask("close_night", by="mara")["ok"]
    here.until(lambda: here.state("prop-1") is PropState.DISARMED)
    assert here.site_view.night is None
    assert here.site_view.rearm == ()


def test_what_makes_no_sense_is_refused_with_a_remedy(night: MakeNight) -> None:
    """Unknown actions, props, zones, sequences and missing arguments each say what to do."""
    here = night()
    for action, args in (
        ("dance", {}),
        ("arm", {}),
        ("arm", {"props": ["nobody"]}),
        ("arm", {"props": ["zone/nowhere"]}),
        ("fire", {"prop": "nobody"}),
        ("switch", {"props": ["prop-1"], "sequence": "none"}),
        ("clear", {"stop": 1}),
        ("clear", {"stop": 1, "by": "m", "why": "w"}),
        ("leave_out", {"controller": "board-1", "by": "m"}),
        ("acknowledge", {"alarm": "none"}),
        ("upload", {"controller": "none"}),
        ("open_night", {"by": "  "}),
    ):
        answer = here.ask(action, **args)
        assert answer["ok"] is False, action
        assert all(r["reason"] and r["remedy"] for r in answer["refused"]), action


def test_why_lists_what_keeps_a_prop(night: MakeNight) -> None:
    """The same checks that refuse are said before anybody tries."""
    here = night()
    here.unplug("line-1")
    found = here.ask("why", prop="prop-1")["result"]
    assert [r["check"] for r in found["arm"]] == ["online"]
    assert "armed" in [r["check"] for r in found["fire"]]


def test_a_zone_is_armed_by_its_name(night: MakeNight) -> None:
    """`zone/NAME` stands for its props."""
    here = night(2)
    assert here.ask("arm", props=["zone/yard"])["result"]["done"] == ["prop-1", "prop-2"]


def test_who_asked_what_was_refused_and_each_alarm_are_in_the_ledger(night: MakeNight) -> None:
    """Armings with their operator, refusals with their checks, alarms with their text."""
    here = night()
    here.feed(ev.ClientCame(1, "console", "mara"))
    here.ask("fire", prop="prop-1")
    here.arm_all()
    here.unplug("line-1")
    here.run(2000)
    here.until(lambda: here.core.recorder.waiting == 0)
    with Reader.open(here.path) as reader:
        events = list(reader.events())
    refused = next(e for e in events if e.kind == "refused")
    assert (refused.by, refused.subject) == ("mara", "prop-1")
    assert refused.detail == {"action": "fire", "checks": ["armed"]}
    armed = next(e for e in events if e.kind == "arm")
    assert (armed.by, armed.detail["done"]) == ("mara", ["prop-1"])
    alarm = next(e for e in events if e.kind == "alarm")
    assert alarm.subject == "controller-lost/board-1"


def test_an_upload_over_a_bad_line_comes_through_without_an_alarm(night: MakeNight) -> None:
    """Every ninth frame is lost while a board is set up; it is sent again until it is whole."""
    here = night()
    count = 0

    def lose(data: bytes) -> bytes:
        nonlocal count
        count += 1
        return data if count % 9 else data[:5]

    here.wires["line-1"].lose = lose
    here.reset("board-1")
    here.run(100)
    here.until(here.live, 10_000)
    assert not [a for a in here.alarms() if a.startswith("upload-failed")]
