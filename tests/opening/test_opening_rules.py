"""The opening check as rules: what is asked, in which order, and who may say that it holds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.rules.opening import (
    SITE,
    How,
    Item,
    Key,
    Result,
    closing_items,
    is_cold,
    left,
    opening_items,
    unchecked,
    warm_up_tests,
)
from console.rules.openingjudge import PropSeen, Seen, accepted, judge
from console.site.loading import load
from console.site.models import Site
from tests.opening.opening_sites import made

ROOT = Path(__file__).parents[2]
DEMO = load(ROOT / "configs" / "demo.yaml")
DAY_NS = 86_400 * 10**9


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """Two props, each on a board with a stop."""
    return made(tmp_path_factory.mktemp("yard"))


def item(site: Site, subject: str, name: str, *, cold: bool = False) -> Item:
    """One item of the check."""
    found = {i.key: i for i in opening_items(site, cold=cold)}
    return found[subject, name]


def test_the_walk_follows_the_zones() -> None:
    """Before, zone by zone, all stops in one further walk, and last what is at the entrance."""
    parts = list(dict.fromkeys(i.part for i in opening_items(DEMO)))
    zones = [zone.name for zone in DEMO.zones]
    assert parts == ["before", *zones, "stops", "last"]
    walked = [i.subject for i in opening_items(DEMO) if i.id == "found"]
    assert walked == [p.name for z in DEMO.zones for p in DEMO.props_of_zone(z.name)]


def test_nothing_is_listed_twice_and_all_has_words() -> None:
    """Subject and item are a key; each says what to do."""
    items = [*opening_items(DEMO, cold=True), *closing_items(DEMO)]
    assert len({i.key for i in items}) == len(items)
    assert all(i.todo and i.title and i.part for i in items)


def test_every_prop_has_its_own_items(yard: Site) -> None:
    """Found, matching, tested and its gauge read; an end sensor adds travel times."""
    of = [i.id for i in opening_items(yard) if i.subject == "prop-1"]
    assert of == ["found", "matches", "tested", "gauge"]
    with_ends = [p for p in DEMO.props if any(m.end_sensor.out or m.end_sensor.home
                                              for m in p.motions)]  # fmt: skip
    assert with_ends
    for prop in with_ends:
        assert (prop.name, "travel") in {i.key for i in opening_items(DEMO)}


def test_a_cold_evening_offers_warm_up(yard: Site) -> None:
    """Below the limit of the site file each prop's warm-up is listed, and closes nothing."""
    warm = {(SITE, "temperature"): Result("Ada", 1, "45 degF")}
    cold = {(SITE, "temperature"): Result("Ada", 1, "38 degF")}
    assert not is_cold(yard, warm)
    assert not is_cold(yard, {})
    assert is_cold(yard, cold)
    found = item(yard, "prop-1", "warm-up", cold=True)
    assert not found.needed
    # 3 strokes of a sequence that switches its motion twice are 2 runs.
    assert warm_up_tests(yard.prop("prop-1")) == 2
    assert not judge(yard, found, Seen(props={"prop-1": PropSeen(tests=1)})).holds
    assert judge(yard, found, Seen(props={"prop-1": PropSeen(tests=2)})).holds


@pytest.mark.parametrize(
    ("name", "before", "after"),
    [
        ("found", PropSeen(), PropSeen(online=True)),
        ("matches", PropSeen(online=True), PropSeen(online=True, matches=True)),
    ],
)
def test_what_boards_say_is_judged_by_itself(
    yard: Site, name: str, before: PropSeen, after: PropSeen
) -> None:
    """Nobody has to say what the engine can see."""
    one = item(yard, "prop-1", name)
    assert not judge(yard, one, Seen(props={"prop-1": before})).holds
    assert judge(yard, one, Seen(props={"prop-1": after})).holds
    with pytest.raises(ValueError, match="by itself"):
        accepted(yard, one, Seen(), "")


def test_travel_times_have_limits() -> None:
    """Every fitted end must be seen, and within half as much again as the site file says."""
    prop = next(p for p in DEMO.props if any(m.end_sensor.out for m in p.motions))
    motion = next(m for m in prop.motions if m.end_sensor.out)
    one = item(DEMO, prop.name, "travel")
    whole = {
        (m.name, way): ms
        for m in prop.motions
        for way, ms, end in (
            ("out", m.travel_ms, m.end_sensor.out),
            ("back", m.return_ms, m.end_sensor.home),
        )
        if end
    }

    def of(travels: dict[tuple[str, str], int]) -> Seen:
        return Seen(props={prop.name: PropSeen(travels=travels)})

    assert judge(DEMO, one, of(whole)).holds
    assert "not measured" in judge(DEMO, one, of({})).said
    slow = judge(DEMO, one, of(whole | {(motion.name, "out"): int(motion.travel_ms * 1.6)}))
    assert not slow.holds
    assert "at most" in slow.said


def test_a_test_must_have_run_before_anybody_watched_it(yard: Site) -> None:
    """The board's record comes first, the name of who watched after it."""
    one = item(yard, "prop-1", "tested")
    with pytest.raises(ValueError, match="no test tonight"):
        accepted(yard, one, Seen(props={"prop-1": PropSeen()}), "")
    assert accepted(yard, one, Seen(props={"prop-1": PropSeen(tests=1)}), "") == ""


@pytest.mark.parametrize(
    ("reading", "kept"), [("60", "60 psi"), ("62 psi", "62 psi"), ("4 bar", "58 psi")]
)
def test_a_gauge_is_read_in_any_unit(yard: Site, reading: str, kept: str) -> None:
    """A plain number is psi. 4 bar are 58.0 psi (1 bar = 14.5038 psi, NIST SP 811)."""
    assert accepted(yard, item(yard, "prop-1", "gauge"), Seen(), reading) == kept


@pytest.mark.parametrize("reading", ["40", "75 psi", "", "much", "nan", "60 in", "-60"])
def test_a_gauge_that_is_off_is_refused(yard: Site, reading: str) -> None:
    """With what is wrong and what to do about it."""
    with pytest.raises(ValueError, match=r"(?s).+\n.+"):
        accepted(yard, item(yard, "prop-1", "gauge"), Seen(), reading)


def test_pressure_is_read_where_no_sensor_measures_it(yard: Site) -> None:
    """Without a sensor somebody reads the tank's gauge; with one it is judged by itself."""
    one = item(yard, SITE, "air")
    assert one.how is How.READING
    assert accepted(yard, one, Seen(), "90") == "90 psi"
    with pytest.raises(ValueError, match="needed"):
        accepted(yard, one, Seen(), "30")
    measured = item(DEMO, SITE, "air")
    assert measured.how is How.ITSELF
    assert not judge(DEMO, measured, Seen()).holds
    assert not judge(DEMO, measured, Seen(psi=20.0)).holds
    assert judge(DEMO, measured, Seen(psi=119.0)).holds


def test_a_stop_counts_when_it_was_pressed_and_released(yard: Site) -> None:
    """Pressed, and closed again."""
    one = item(yard, "board-2", "stop-input")
    assert not judge(yard, one, Seen()).holds
    pressed = Seen(pressed=frozenset({"board-2"}), open_now=frozenset({"board-2"}))
    assert judge(yard, one, pressed).said == "still pressed"
    assert judge(yard, one, replace(pressed, open_now=frozenset())).holds


def test_an_all_stop_counts_when_everybody_confirmed(yard: Site) -> None:
    """Who was late, or silent, is named."""
    one = item(yard, SITE, "all-stop")
    assert not judge(yard, one, Seen()).holds
    assert not judge(yard, one, Seen(stopped=True)).holds
    late = judge(yard, one, Seen(stopped=True, stop_silent=("board-2",)))
    assert "board-2" in late.said
    assert not late.holds
    assert judge(yard, one, Seen(stopped=True, stop_ms=1500.0)).holds


def test_a_leak_test_falls_due_by_days(yard: Site) -> None:
    """After 14 days, or where none was ever made."""
    one = item(yard, SITE, "leak-test")
    now = 20_000 * DAY_NS
    assert not judge(yard, one, Seen(now_ns=now)).holds
    assert judge(yard, one, Seen(now_ns=now, leak_test_ns=now - 13 * DAY_NS)).holds
    assert not judge(yard, one, Seen(now_ns=now, leak_test_ns=now - 14 * DAY_NS)).holds


def test_tags_are_lifted_or_accepted(yard: Site) -> None:
    """With a tag somebody has to accept it; without one nobody is asked."""
    one = item(yard, SITE, "tags")
    assert judge(yard, one, Seen()).holds
    assert not judge(yard, one, Seen(tags=("prop-1: Cy",))).holds
    assert accepted(yard, one, Seen(tags=("prop-1: Cy",)), " stays  out ") == "stays out"


@given(st.data())
def test_a_prop_is_closed_exactly_by_its_own_items(data: st.DataObject) -> None:
    """Whatever else is open: chores, exits and other props close nothing but themselves."""
    items = opening_items(DEMO)
    done = data.draw(st.sets(st.sampled_from([i.key for i in items])))
    results: dict[Key, Result] = {key: Result("Ada", 1) for key in done}
    closed = unchecked(DEMO, items, results)
    for prop in DEMO.props:
        own = [i for i in items if i.subject in (prop.name, prop.controller) and i.needed]
        assert (prop.name in closed) == any(i.key not in done for i in own)
    assert [i.key for i in left(items, results)] == [
        i.key for i in items if i.needed and i.key not in done
    ]


def test_closing_lists_what_is_left_to_do(yard: Site) -> None:
    """Park, bleed down, drain, then the site's own chores."""
    assert [i.id for i in closing_items(yard)] == ["park", "park", "bleed", "drain", "closing-1"]
