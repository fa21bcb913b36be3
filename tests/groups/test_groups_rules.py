"""Following, choosing, planning and headway, case by case."""

from __future__ import annotations

import datetime as dt
import itertools
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.rules.groups.choice import Choices, Limits, limits_at
from console.rules.groups.follower import Follower
from console.rules.groups.group import Group
from console.rules.groups.headway import Because, Headway
from console.rules.groups.pace import Span, learned, spans_of
from console.rules.groups.plans import Plans
from console.rules.groups.steering import Steering
from console.rules.groups.walk import Walk, walk_of
from console.site.kinds import Plan, Strength
from console.site.loading import load
from console.site.models import Site

DEMO = load(Path(__file__).resolve().parents[2] / "configs" / "demo.yaml")
NOTHING = Limits()


def pass_props(follower: Follower, sent_ms: float, props: int, pace: float = 1.0) -> float:
    """Trip the first so many props as a group of that pace does; when the last one was."""
    at = sent_ms
    for name, leg in list(zip(follower.walk.props, follower.walk.legs_ms, strict=False))[:props]:
        at += leg * pace
        follower.tick(at)
        follower.trigger(name, at)
    return at


def test_the_walk_of_the_demo_is_as_long_as_its_zones() -> None:
    """Legs add up to the zones' walking times: 50 + 70 + 60 + 45 s."""
    walk = walk_of(DEMO)
    assert walk.total_ms == 225_000
    assert walk.zone_times_ms() == {
        "gate-yard": 50_000, "ice-house": 70_000, "boiler-hall": 60_000, "drying-loft": 45_000,
    }  # fmt: skip
    assert walk.zone_at(0) == "gate-yard"
    assert walk.zone_at(120_001) == "boiler-hall"
    assert walk.before_zone("gate-yard") == -1
    assert walk.before_zone("boiler-hall") == 3


def test_a_group_is_where_it_was_noticed_last() -> None:
    """After the fourth prop a group is surely at the end of the ice house."""
    follower = Follower(walk_of(DEMO))
    follower.send(1, 4, 0)
    at = pass_props(follower, 0, 4)
    (where,) = follower.where(at + 2000)
    assert where.zone == "ice-house"
    assert where.sure > 0.9


def test_a_missed_trigger_is_made_up_for_at_the_next_prop() -> None:
    """A group that one sensor did not notice is found again at the next one."""
    follower = Follower(walk_of(DEMO))
    follower.send(1, 4, 0)
    walk = follower.walk
    follower.trigger(walk.props[0], walk.places_ms[0])
    follower.trigger(walk.props[2], walk.places_ms[2])
    assert follower.passed(1) == 2


def test_a_false_trigger_far_ahead_moves_nobody() -> None:
    """A trigger where nobody can be is taken for a false one."""
    follower = Follower(walk_of(DEMO))
    follower.send(1, 4, 0)
    at = pass_props(follower, 0, 2)
    follower.trigger("last-bell", at + 3000)
    assert follower.passed(1) == 1
    assert follower.where(at + 3000)[0].zone == "gate-yard"


def test_double_triggers_count_once() -> None:
    """Many feet on one mat are one group, not two."""
    follower = Follower(walk_of(DEMO))
    follower.send(1, 6, 0)
    follower.send(2, 6, 70_000)
    at = follower.walk.places_ms[0] + 70_000
    for step in range(6):
        follower.trigger("gate-knocker", follower.walk.places_ms[0] + step * 900)
    assert (follower.passed(1), follower.passed(2)) == (0, -1)
    follower.trigger("gate-knocker", at)
    assert follower.passed(2) == 0


def test_a_group_that_turned_back_leaves_with_the_next_one() -> None:
    """A group that is noticed nowhere any more does not hold the others up."""
    follower = Follower(walk_of(DEMO))
    follower.send(1, 4, 0)
    pass_props(follower, 0, 2)
    follower.send(2, 4, 90_000)
    at = pass_props(follower, 90_000, 9)
    assert follower.passed(2) == 8
    for ms in range(0, 60_000, 5000):
        follower.tick(at + ms)
    assert follower.numbers == ()


def test_a_prop_out_of_service_says_nothing_of_those_who_pass() -> None:
    """Silence of a prop that is out of service makes nobody late."""
    follower = Follower(walk_of(DEMO))
    follower.in_service("ice-house-door", False)
    follower.send(1, 4, 0)
    at = pass_props(follower, 0, 2)
    later = at + follower.walk.legs_ms[2] * 1.6
    with_word, without = follower.where(later)[0], Follower(walk_of(DEMO))
    without.send(1, 4, 0)
    pass_props(without, 0, 2)
    assert with_word.place_ms > without.where(later)[0].place_ms


def test_the_operator_corrects_and_the_others_keep_their_order() -> None:
    """A group put further on takes those before it along, and nobody behind it."""
    follower = Follower(walk_of(DEMO))
    for number in (1, 2, 3):
        follower.send(number, 4, number * 60_000.0)
    follower.correct(2, 3, 200_000)
    assert [follower.passed(n) for n in (1, 2, 3)] == [3, 3, -1]
    follower.correct(1, 0, 201_000)
    assert [follower.passed(n) for n in (1, 2, 3)] == [0, 0, -1]
    assert [left.number for left in follower.leave(2, 202_000)] == [1, 2]
    with pytest.raises(KeyError):
        follower.correct(1, 0, 203_000)


def test_walking_times_are_learned_and_odd_groups_hardly_count() -> None:
    """Nine slow groups move the legs to their median; one that stopped for long does not."""
    walk = walk_of(DEMO)
    slow = [Span(-1, 0, walk.legs_ms[0] * 1.5) for _ in range(9)]
    odd = [Span(-1, 0, walk.legs_ms[0] * 12)]
    found = learned(walk, [*slow, *odd])
    assert found.legs_ms[0] == pytest.approx(walk.legs_ms[0] * 1.5)
    assert found.legs_ms[1:] == walk.legs_ms[1:]
    assert found.zone_times_ms()["gate-yard"] == pytest.approx(
        50_000 + walk.legs_ms[0] * 0.5, rel=1e-6
    )


def test_tonight_weighs_more_than_the_nights_before() -> None:
    """Ten groups of tonight outweigh thirty of earlier nights."""
    walk = walk_of(DEMO)
    before = [Span(0, 1, walk.legs_ms[1] * 0.8, tonight=False)] * 30
    tonight = [Span(0, 1, walk.legs_ms[1] * 1.2)] * 10
    assert learned(walk, [*before, *tonight]).legs_ms[1] == pytest.approx(walk.legs_ms[1] * 1.2)


def test_spans_leave_out_what_makes_no_sense() -> None:
    """Only spans that lead on, in place and in time, are learned from."""
    noticed = [(-1, 0.0), (0, 16_000.0), (2, 50_000.0), (2, 55_000.0), (3, 54_000.0)]
    assert [(s.begin, s.end) for s in spans_of(noticed)] == [(-1, 0), (0, 2)]


@given(st.lists(st.integers(1000, 300_000), min_size=10, max_size=10))
def test_zones_keep_their_share_of_every_learned_walk(legs: list[int]) -> None:
    """Whatever is learned, zones stay in order and end with the walk."""
    walk: Walk = walk_of(DEMO).with_legs(legs)
    assert list(walk.ends_ms) == sorted(walk.ends_ms)
    assert walk.ends_ms[-1] == pytest.approx(walk.total_ms)
    assert sum(walk.zone_times_ms().values()) == pytest.approx(walk.total_ms)


def test_in_turn_goes_round_and_shuffled_never_repeats() -> None:
    """Over a hundred cycles no pick is the one before; in turn is a round."""
    plans = Plans(Random(3))
    shuffled, turn = [], []
    for _ in range(100):
        shuffled.append(plans.pick("a", Plan.SHUFFLED, "x", ("x", "y", "z")))
        plans.played("a", shuffled[-1])
        turn.append(plans.pick("b", Plan.IN_TURN, "x", ("x", "y", "z")))
        plans.played("b", turn[-1])
    assert all(a != b for a, b in itertools.pairwise(shuffled))
    assert set(shuffled) == {"x", "y", "z"}
    assert turn[:7] == ["x", "y", "z", "x", "y", "z", "x"]
    assert plans.pick("c", Plan.FIXED, "y", ("x", "y")) == "y"
    assert plans.pick("d", Plan.FIXED, "q", ("x", "y")) == "x"


def test_a_pick_stands_until_it_was_played() -> None:
    """Asking again changes nothing: a prop is not switched to and fro while it waits."""
    plans = Plans(Random(4))
    first = plans.pick("a", Plan.SHUFFLED, "x", ("x", "y", "z"))
    assert {plans.pick("a", Plan.SHUFFLED, "x", ("x", "y", "z")) for _ in range(20)} == {first}


def test_quiet_hours_spare_what_they_name_across_midnight() -> None:
    """The demo spares `loud` from 21:30; hours that end after midnight work, too."""
    assert limits_at(DEMO, dt.time(21, 29)).exclude == frozenset()
    assert limits_at(DEMO, dt.time(21, 30)).exclude == {"loud"}
    late = DEMO.rules.quiet_hours[0].model_copy(update={"ends": dt.time(1, 0)})
    rules = DEMO.rules.model_copy(update={"quiet_hours": (late,), "ceiling": Strength.MILD})
    site = DEMO.model_copy(update={"rules": rules})
    assert limits_at(site, dt.time(0, 30)).exclude == {"loud"}
    assert limits_at(site, dt.time(2, 0)) == Limits(Strength.MILD)


def steering_of(site: Site = DEMO) -> tuple[Follower, Steering]:
    """A follower and its steering."""
    follower = Follower(walk_of(site))
    return follower, Steering(site, follower, Choices(site.props), Random(1))


def test_a_prop_holds_for_the_tail_and_then_turns_to_the_next() -> None:
    """Strong for the strong group and those behind its head, mild before the mild one comes."""
    follower, steering = steering_of()
    groups = {1: Group(1, 5, Strength.STRONG), 2: Group(2, 5, Strength.MILD)}
    follower.send(1, 5, 0)
    at = pass_props(follower, 0, 5)
    follower.send(2, 5, at - 40_000)
    after = steering.decide("boiler-hatch", groups, NOTHING, at + 4000)
    assert (after.sequence, after.now, after.next) == ("burst", 1, 2)
    due = at - 40_000 + follower.walk.places_ms[4]
    pass_props(follower, at - 40_000, 4)
    before = steering.decide("boiler-hatch", groups, NOTHING, due - 8000)
    assert (before.sequence, before.now, before.next) == ("rattle", 2, None)


def test_behind_the_last_group_a_prop_goes_back_by_itself() -> None:
    """With nobody left to come the site file's own choice stands, under its ceiling."""
    _, steering = steering_of()
    assert steering.decide("stoker", {}, NOTHING, 0).sequence == "turn-on-guest"
    assert steering.decide("stoker", {}, Limits(Strength.MILD), 0).sequence == "stoke"
    assert steering.decide("stoker", {}, Limits(Strength.QUIET), 0).sequence is None


def test_a_quiet_zone_concerns_its_group_alone() -> None:
    """The group in a quiet zone gets nothing but lights there; the one behind gets its own."""
    follower, steering = steering_of()
    quiet = frozenset({"boiler-hall"})
    groups = {1: Group(1, 3, Strength.STRONG, quiet_zones=quiet), 2: Group(2, 3, Strength.STRONG)}
    follower.send(1, 3, 0)
    at = pass_props(follower, 0, 4)
    assert steering.decide("boiler-hatch", groups, NOTHING, at + 10_000).sequence == "glow"
    assert steering.decide("hanging-sacks", groups, NOTHING, at + 10_000).sequence != "glow"


def headway_of(site: Site) -> tuple[Follower, Headway]:
    """A follower and its headway."""
    follower = Follower(walk_of(site))
    return follower, Headway(site, follower, Choices(site.props))


def test_nobody_in_the_walk_means_the_next_may_go() -> None:
    """There is nothing to wait for before the first group and after the last."""
    _, headway = headway_of(DEMO)
    assert headway.ready(None, 5000, NOTHING).because is Because.NOTHING


def test_the_site_files_headway_counts_from_the_last_group() -> None:
    """With a minimum above every other need that is the countdown, and its reason says so."""
    rules = DEMO.rules.model_copy(update={"headway_ms": 200_000})
    follower, headway = headway_of(DEMO.model_copy(update={"rules": rules}))
    follower.send(1, 4, 10_000)
    ready = headway.ready(Group(1, 4), 12_000, NOTHING)
    assert (ready.at_ms, ready.because) == (210_000, Because.SITE)
    assert ready.reason == "the site file asks for 200 s between groups"


def test_the_air_is_waited_for_where_it_is_what_lasts_longest() -> None:
    """Air figures, where they are given, stand in place of the site file's recovery time."""
    follower, headway = headway_of(DEMO)
    follower.send(1, 4, 0)
    ready = headway.ready(Group(1, 4), 1000, NOTHING, air_ready_ms=400_000)
    assert (ready.at_ms, ready.because, ready.reason) == (400_000, Because.AIR, "the air recovers")


def test_a_slow_group_ahead_is_named_with_its_zone() -> None:
    """A group that dawdles holds the next one up, and the reason names it."""
    follower, headway = headway_of(DEMO)
    follower.send(7, 4, 0)
    ready = headway.ready(Group(7, 4), 60_000, NOTHING)
    assert ready.at_ms > 60_000
    assert (ready.because, ready.subject) == (Because.AHEAD, "7")
    assert ready.reason.startswith("group 7 is slow in the ")


def test_a_resting_prop_is_named_with_the_seconds_left() -> None:
    """A rest that its board reports is what the reason counts down."""
    follower, headway = headway_of(DEMO)
    follower.send(1, 4, 0)
    at = pass_props(follower, 0, 1)
    ready = headway.ready(
        Group(1, 4, Strength.STANDARD), at, NOTHING, resting_until_ms={"gate-knocker": at + 90_000}
    )
    assert ready.subject == "gate-knocker"
    assert ready.reason == "Gate knocker rests 90 s more"


def test_the_rate_names_its_limit_and_the_change_that_gains_most() -> None:
    """A quick group gains a quarter of the way on a usual one; on top come cycle and rest."""
    _, headway = headway_of(DEMO)
    rate = headway.rate([Group(1, 4), Group(2, 8)], NOTHING)
    ladder_ms = walk_of(DEMO).place_ms(7) * 0.25 + 6000 + 16_000
    assert (rate.limit.subject, rate.headway_ms) == ("", pytest.approx(213_750 / 4 + 9000 + 12_000))
    assert rate.headway_ms > ladder_ms
    assert rate.groups_per_hour == pytest.approx(3_600_000 / rate.headway_ms)
    assert rate.guests_per_hour == pytest.approx(6 * rate.groups_per_hour)
    assert rate.gain.startswith("room between groups, 2 s less: 1 more groups an hour")
    rules = DEMO.rules.model_copy(update={"headway_ms": 120_000})
    _, slower = headway_of(DEMO.model_copy(update={"rules": rules}))
    rate = slower.rate([Group(1, 4)], NOTHING)
    assert (rate.limit.because, rate.groups_per_hour) == (Because.SITE, 30)
    assert rate.gain.startswith("the site file's headway, 47 s less: 20 more groups an hour")
