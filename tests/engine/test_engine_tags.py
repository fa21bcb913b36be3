"""Tags on a running night, on both kinds of board: over resets, engines and full disks."""

from __future__ import annotations

from console.rules.tags import BREAK_MS
from console.views.models import PropFlag, PropState
from drivers.words import PropFlags
from tests.engine.conftest import MakeNight
from tests.engine.night import Night

PROP = "prop-1"


def on_board(night: Night) -> bool:
    """Whether the board itself says that the prop is tagged."""
    report = night.core.world.props[PROP].report
    return report is not None and PropFlags.TAGGED in report.flags


def tag(night: Night, by: str = "Ada", **more: object) -> None:
    """Tag the prop and see that its board holds the tag."""
    answer = night.ask("tag", prop=PROP, by=by, reason="new hinge", **more)
    assert answer["ok"], answer
    night.until(lambda: on_board(night))


def checks(answer: dict[str, object]) -> set[str]:
    """The checks that an answer says do not hold."""
    refused = answer["refused"]
    assert isinstance(refused, list)
    return {r["check"] for r in refused}


def test_a_tag_disarms_and_refuses_everything(night: MakeNight) -> None:
    """A tagged prop is disarmed; arm, fire and test are refused, naming the person."""
    here = night()
    here.arm_all()
    tag(here)
    here.until(lambda: here.state(PROP) is PropState.DISARMED)
    assert PropFlag.TAGGED in here.prop(PROP).flags
    assert here.prop(PROP).tags == ("Ada",)
    for action, more in (("arm", {"props": [PROP]}), ("test", {"prop": PROP, "sequence": "go"})):
        answer = here.ask(action, **more)
        assert not answer["ok"]
        assert "not_tagged" in checks(answer)
    assert any("Ada" in r.reason for r in here.prop(PROP).arm_refusals)


def test_the_board_holds_a_tag_over_reset_and_a_new_engine(night: MakeNight) -> None:
    """Neither a reset of the board nor the engine's death lifts a tag."""
    here = night()
    tag(here)
    here.reset("board-1")
    here.run(100)
    here.until(lambda: here.live() and on_board(here))
    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    here.until(lambda: on_board(here))
    assert here.prop(PROP).tags == ("Ada",)
    assert not here.ask("arm", props=[PROP])["ok"]


def test_only_its_owner_lifts_it_and_then_it_arms(night: MakeNight) -> None:
    """Somebody else is refused; the owner lifts the tag, and the prop arms again."""
    here = night()
    tag(here, pin="4711")
    assert not here.ask("untag", prop=PROP, by="Bo")["ok"]
    assert not here.ask("untag", prop=PROP, by="Ada")["ok"]
    assert here.ask("untag", prop=PROP, by="Ada", pin="4711")["ok"]
    here.until(lambda: not on_board(here))
    assert here.ask("arm", props=[PROP])["ok"]
    here.until(lambda: here.state(PROP) is PropState.ARMED)


def test_the_last_of_two_lifts_it(night: MakeNight) -> None:
    """With two tags the prop stays tagged on the board until the second is lifted."""
    here = night()
    tag(here, "Ada")
    tag(here, "Bo")
    assert here.ask("untag", prop=PROP, by="Ada")["ok"]
    here.run(1000)
    assert on_board(here)
    assert here.ask("untag", prop=PROP, by="Bo")["ok"]
    here.until(lambda: not on_board(here))


def test_an_untag_that_the_board_missed_is_made_up_for(night: MakeNight) -> None:
    """A tag lifted while the board is away comes off when it is back."""
    here = night()
    tag(here)
    line = next(iter(here.wires))
    here.unplug(line)
    here.run(200)
    assert here.ask("untag", prop=PROP, by="Ada")["ok"]
    here.run(200)
    here.plug(line)
    here.until(lambda: here.live() and not on_board(here), 20_000)


def test_an_absent_owner_is_told(night: MakeNight) -> None:
    """Two people lift the tag of somebody away, and a standing alarm says so for the owner."""
    here = night()
    tag(here)
    refused = here.ask("lift_tag", prop=PROP, owner="Ada", by="Bo", second="Bo", note="phoned")
    assert not refused["ok"]
    assert here.ask("lift_tag", prop=PROP, owner="Ada", by="Bo", second="Cy", note="phoned")["ok"]
    here.until(lambda: not on_board(here))
    assert any("tag-lifted" in key for key in here.alarms())


def test_no_tag_without_the_ledger_but_the_disarm_comes_all_the_same(night: MakeNight) -> None:
    """On a full disk tagging is refused with the remedy; the prop is disarmed by hand as ever."""
    here = night()
    here.arm_all()
    here.disk_full = True
    answer = here.ask("tag", prop=PROP, by="Ada", reason="x")
    assert checks(answer) == {"durable"}
    assert here.ask("disarm", props=[PROP])["ok"]
    here.until(lambda: here.state(PROP) is PropState.DISARMED)
    here.disk_full = False
    here.run(5000)
    assert here.prop(PROP).tags == ()


def test_a_test_break_holds_one_output_and_tags_again(night: MakeNight) -> None:
    """29 CFR 1910.147(f)(1): the owner's break moves one motion while pressed, then the tag is
    back, on release as after a minute."""
    here = night()
    tag(here)
    motion = here.core.world.props[PROP].prop.motions[0].name
    begin = {"prop": PROP, "by": "Ada", "output": motion}
    assert not here.ask("test_break", **begin)["ok"]
    assert not here.ask("hold", prop=PROP, on=True)["ok"]
    assert here.ask("test_break", **begin, people_clear=True)["ok"]
    here.until(lambda: not on_board(here))
    assert not here.ask("arm", props=[PROP])["ok"]
    assert here.ask("hold", prop=PROP, on=True)["ok"]
    here.until(lambda: here.boards["board-1"].outputs != 0, 1000)
    here.until(lambda: here.boards["board-1"].outputs == 0, 2000)
    here.until(lambda: on_board(here), 5000)
    assert not here.ask("hold", prop=PROP, on=True)["ok"]

    assert here.ask("test_break", **begin, people_clear=True)["ok"]
    here.until(lambda: not on_board(here))
    here.run(BREAK_MS)
    here.until(lambda: on_board(here), 5000)
    assert here.boards["board-1"].outputs == 0


def test_an_all_stop_ends_a_test_break(night: MakeNight) -> None:
    """In a break the all-stop takes the output off, and the tag is back at once."""
    here = night()
    tag(here)
    motion = here.core.world.props[PROP].prop.motions[0].name
    begin = {"prop": PROP, "by": "Ada", "output": motion, "people_clear": True}
    assert here.ask("test_break", **begin)["ok"]
    here.until(lambda: not on_board(here))
    here.ask("hold", prop=PROP, on=True)
    here.until(lambda: here.boards["board-1"].outputs != 0, 1000)
    here.stop()
    here.until(lambda: here.boards["board-1"].outputs == 0, 100)
    here.until(lambda: on_board(here), 5000)
