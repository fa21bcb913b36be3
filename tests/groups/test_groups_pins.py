"""Groups on real firmware: three zones, what is seen at the pins, and what two consoles see."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

from console.engine import events as ev
from console.views.models import CrowdView, GroupView, HeadwayView, PropState
from drivers.firmware.build import NoCompiler
from drivers.messages import Request, Select
from drivers.session import Session
from drivers.words import State
from tests.engine.night import FirmwareBoard, Night
from tests.groups.groupsite import OUTPUT_OF, ZONES, made
from tests.tools import missing

RULES = "rules:\n  air_recovery: 12 s\n"


class Walk:
    """A night of the three zones, with groups that walk through it."""

    def __init__(self, night: Night) -> None:
        self.night = night
        self.seen: dict[tuple[int, str], str] = {}

    def group(self, number: int, in_ms: float, leg_ms: float = 40_000) -> None:
        """A group that enters in so long, walks each leg in so long, and trips every mat."""
        at = in_ms + leg_ms / 2
        for n, zone in enumerate(ZONES, start=1):
            self.night.after(at, lambda n=n, zone=zone: self._pass(number, n, zone))
            at += leg_ms

    def _pass(self, number: int, n: int, zone: str) -> None:
        self.night.trigger(f"board-{n}")
        self.night.after(300, lambda: self._look(number, n, zone))

    def _look(self, number: int, n: int, zone: str) -> None:
        lit = self.night.boards[f"board-{n}"].outputs & 0x1E
        self.seen[number, zone] = next((s for s, bit in OUTPUT_OF.items() if bit == lit), f"{lit}")


MakeWalk = Callable[..., Walk]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[MakeWalk]:
    """Makes such a night on the firmware's core; everything is live and armed."""
    nights: list[Night] = []

    def made_night(
        without: dict[str, tuple[str, ...]] | None = None, rules: str = RULES, full: str = ""
    ) -> Walk:
        try:
            night = Night(
                made(tmp_path, without, rules, full), tmp_path, FirmwareBoard, durable=False
            )
        except NoCompiler as error:
            missing(str(error))
        nights.append(night)
        night.until(night.live)
        night.arm_all()
        return Walk(night)

    yield made_night
    for night in nights:
        night.close()


def view(night: Night, key: str) -> object:
    """What a console sees under a key."""
    return night.core.view(key)


def test_four_groups_see_their_own_strength_in_three_zones(make: MakeWalk) -> None:
    """Each of four groups sees its own strength at the pins of all three zones."""
    walk = make()
    night = walk.night
    strengths = ("strong", "mild", "standard", "quiet")
    for number, strength in enumerate(strengths, start=1):
        assert night.ask("send_group", strength=strength, size=3)["ok"]
        walk.group(number, 0)
        night.run(60_000)
    night.run(120_000)
    assert walk.seen == {
        (number, zone): strength
        for number, strength in enumerate(strengths, start=1)
        for zone in ZONES
    }
    crowd = view(night, "crowd")
    assert isinstance(crowd, CrowdView)
    assert (crowd.groups, crowd.guests, crowd.in_walk, crowd.through) == (4, 12, 0, 4)


def test_a_zone_is_quiet_for_the_group_in_it_and_back_behind_them(make: MakeWalk) -> None:
    """A zone made quiet shows lights only to the group in it; the next group sees its own."""
    walk = make()
    night = walk.night
    night.ask("send_group", strength="strong", size=2)
    walk.group(1, 0)
    night.run(45_000)
    answer = night.ask("quiet_zone", zone="hall")
    assert answer["result"] == {"zone": "hall", "groups": [1], "on": True}
    night.run(30_000)
    night.ask("send_group", strength="strong", size=2)
    walk.group(2, 0)
    night.run(150_000)
    assert [walk.seen[1, z] for z in ZONES] == ["strong", "quiet", "strong"]
    assert [walk.seen[2, z] for z in ZONES] == ["strong", "strong", "strong"]


def test_a_prop_without_anything_mild_enough_stays_quiet(make: MakeWalk) -> None:
    """A prop without a sequence mild enough moves nothing for that group, and says so."""
    walk = make({"hall": ("quiet", "mild")})
    night = walk.night
    night.ask("send_group", strength="mild", size=2)
    walk.group(1, 0)
    night.run(50_000)
    shown = night.prop("hall-prop")
    assert shown.group_note == "nothing mild or milder: stays quiet"
    assert shown.sequence == "stays quiet"
    assert shown.state is PropState.ARMED
    night.run(100_000)
    assert [walk.seen[1, z] for z in ZONES] == ["mild", "0", "mild"]
    assert night.prop("hall-prop").last_cycles[0].sequence == "stays quiet"


def test_a_prop_whose_board_has_no_room_to_stay_quiet_is_disarmed_and_said_so(
    make: MakeWalk,
) -> None:
    """It fails to the safe side, once; an operator arms it again behind that group."""
    walk = make(full="hall")
    night = walk.night
    night.ask("send_group", strength="mild", size=2)
    walk.group(1, 0)
    night.run(30_000)
    assert night.state("hall-prop") is PropState.DISARMED
    alarm = "The hall prop has nothing mild enough and no room to stay quiet: it was disarmed"
    assert alarm in night.alarms().values()
    night.run(150_000)
    assert walk.seen[1, "hall"] == "0"
    assert alarm not in night.alarms().values()
    night.arm_all()
    night.ask("send_group", strength="strong", size=2)
    walk.group(2, 0)
    night.run(150_000)
    assert walk.seen[2, "hall"] == "strong"


def test_an_excluded_property_is_never_shown(make: MakeWalk) -> None:
    """A group that is spared the strobe gets the nearest milder sequence without one."""
    walk = make()
    night = walk.night
    night.ask("send_group", strength="strong", size=2, exclude=["strobe"])
    walk.group(1, 0)
    night.run(150_000)
    assert [walk.seen[1, z] for z in ZONES] == ["standard"] * 3


def test_an_operators_own_switch_wins_until_it_is_released(make: MakeWalk) -> None:
    """A prop switched by hand keeps its sequence for every group until it is released."""
    walk = make()
    night = walk.night
    night.ask("switch", props=["hall-prop"], sequence="quiet")
    night.ask("send_group", strength="strong", size=2)
    walk.group(1, 0)
    night.run(120_000)
    assert night.prop("hall-prop").by_hand
    assert [walk.seen[1, z] for z in ZONES] == ["strong", "quiet", "strong"]
    assert night.ask("release_switch", props=["hall-prop"])["ok"]
    night.ask("send_group", strength="mild", size=2)
    walk.group(2, 0)
    night.run(150_000)
    assert not night.prop("hall-prop").by_hand
    assert walk.seen[2, "hall"] == "mild"


def test_both_of_two_consoles_send_and_see_the_same(make: MakeWalk) -> None:
    """Two consoles send groups in turn; numbers run on and there is one view for both."""
    walk = make()
    night = walk.night
    for client, name in ((1, "entrance"), (2, "desk")):
        night.feed(ev.ClientCame(client, "console", name))
    night.feed(ev.Asked(1, 501, "send_group", {"strength": "mild", "by": "entrance"}))
    night.feed(ev.Asked(2, 502, "send_group", {"strength": "strong", "by": "desk"}))
    night.feed(ev.Asked(1, 503, "repeat_group", {"by": "entrance"}))
    night.run(1500)
    numbers = [night.answers[n]["result"]["group"] for n in (501, 502, 503)]  # type: ignore[index]
    assert numbers == [1, 2, 3]
    keys = night.core.keys()
    groups = [view(night, key) for key in keys if key.startswith("group/")]
    assert [(g.number, g.strength, g.by) for g in groups if isinstance(g, GroupView)] == [
        (1, "mild", "entrance"), (2, "strong", "desk"), (3, "strong", "entrance"),
    ]  # fmt: skip
    headway = view(night, "headway")
    assert isinstance(headway, HeadwayView)
    assert headway.last_number == 3
    assert headway.reason


def test_no_prop_is_switched_in_mid_cycle(make: MakeWalk, monkeypatch: pytest.MonkeyPatch) -> None:
    """With groups close together no choice goes to a prop whose cycle is under way."""
    walk = make()
    night = walk.night
    asked: list[str] = []
    ask = Session.ask

    def watched(session: Session, ref: object, kind: type[Request], *fields: object) -> None:
        if kind is Select:
            name = next(n for n, b in night.boards.items() if b.name == session.board)
            prop = night.core.world.props_of(name)[0]
            assert prop.report is None or prop.report.state is not State.RUNNING
            asked.append(prop.name)
        ask(session, ref, kind, *fields)

    monkeypatch.setattr(Session, "ask", watched)
    rng = Random(5)
    for number in range(1, 9):
        night.ask("send_group", strength=rng.choice(list(OUTPUT_OF)), size=2)
        walk.group(number, 0, 40_000 * rng.uniform(0.8, 1.2))
        night.run(rng.uniform(6000, 25_000))
    night.run(120_000)
    assert len(asked) > 10
    assert set(walk.seen.values()) <= {*OUTPUT_OF, "0"}


def test_an_unknown_strength_is_refused_with_the_known_ones(make: MakeWalk) -> None:
    """A strength that does not exist is refused, and the refusal lists those that do."""
    answer = make().night.ask("send_group", strength="fierce")
    assert not answer["ok"]
    assert "quiet, mild, standard, strong" in answer["refused"][0]["remedy"]


def test_no_group_is_sent_into_an_all_stop(make: MakeWalk) -> None:
    """While an all-stop is latched nobody is sent in."""
    night = make().night
    night.stop()
    night.run(500)
    answer = night.ask("send_group", strength="mild")
    assert [r["check"] for r in answer["refused"]] == ["not_stopped"]


def test_a_ceiling_holds_where_no_group_was_sent(make: MakeWalk) -> None:
    """The site file's ceiling and plans count for guests whom nobody announced, too."""
    walk = make(rules="rules:\n  ceiling: mild\n")
    walk.group(1, 2000)
    walk.night.run(130_000)
    assert set(walk.seen.values()) == {"mild"}


def test_rain_disarms_what_stands_outdoors(make: MakeWalk) -> None:
    """One action disarms the props outdoors and no other."""
    night = make().night
    assert night.ask("rain")["result"]["done"] == ["yard-prop"]
    night.run(1000)
    states = {p.name: night.state(p.name) for p in night.site.props}
    assert states == {
        "yard-prop": PropState.DISARMED, "hall-prop": PropState.ARMED, "loft-prop": PropState.ARMED,
    }  # fmt: skip


def test_a_killed_engine_follows_its_groups_on(make: MakeWalk) -> None:
    """After the engine died in mid-walk the next one still knows who is where."""
    walk = make()
    night = walk.night
    night.ask("open_night", by="mara")
    night.ask("send_group", strength="mild", size=2, note="a child in front")
    walk.group(1, 0)
    night.run(65_000)
    night.kill_engine()
    night.start_engine()
    night.until(night.live, 20_000)
    group = view(night, "group/1")
    assert isinstance(group, GroupView)
    assert (group.zone, group.strength, group.note) == ("hall", "mild", "a child in front")
    night.arm_all()
    night.run(60_000)
    assert walk.seen[1, "loft"] == "mild"
