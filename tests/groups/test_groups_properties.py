"""What must hold for every night, whatever triggers come: order, strength, mid-cycle, leaving."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from console.rules.groups.choice import Choices, Limits, properties_of
from console.rules.groups.follower import Follower
from console.rules.groups.group import Group
from console.rules.groups.steering import Steering
from console.rules.groups.walk import walk_of
from console.site.kinds import Strength
from console.site.loading import load

SITE = load(Path(__file__).resolve().parents[2] / "configs" / "demo.yaml")
PROPS = [p.name for p in SITE.props]
NOTHING = Limits()

happenings = st.lists(
    st.tuples(
        st.sampled_from(["send", "trip", "trip", "trip", "correct", "leave", "service"]),
        st.integers(0, len(PROPS) - 1),
        st.integers(100, 45_000),
        st.sampled_from(list(Strength)),
    ),
    max_size=60,
)


class Play:
    """Plays happenings to a follower and its steering."""

    def __init__(self) -> None:
        self.follower = Follower(walk_of(SITE))
        self.steering = Steering(SITE, self.follower, Choices(SITE.props), Random(1))
        self.groups: dict[int, Group] = {}
        self.now_ms = 0.0
        self.sent = 0

    def step(self, what: str, prop: int, ms: int, strength: Strength) -> None:
        """One happening, `ms` after the one before."""
        self.now_ms += ms
        self.follower.tick(self.now_ms)
        numbers = self.follower.numbers
        if what == "send" and len(numbers) < 8:
            self.sent += 1
            self.groups[self.sent] = Group(self.sent, 1 + prop, strength)
            self.follower.send(self.sent, 1 + prop, self.now_ms)
        elif what == "trip":
            self.follower.trigger(PROPS[prop], self.now_ms)
        elif what == "correct" and numbers:
            self.follower.correct(numbers[prop % len(numbers)], prop - 1, self.now_ms)
        elif what == "leave" and numbers and prop == 0:
            self.follower.leave(numbers[0], self.now_ms)
        elif what == "service":
            self.follower.in_service(PROPS[prop], bool(ms % 2))
        self.groups = {n: self.groups[n] for n in self.follower.numbers}


@settings(max_examples=60, deadline=None)
@given(happenings)
def test_order_never_inverts(steps: Sequence[tuple[str, int, int, Strength]]) -> None:
    """In no guess and on no screen is a group before one that was sent earlier."""
    play = Play()
    for step in steps:
        play.step(*step)
        for guess in play.follower.guesses:
            stations = [t.station for t in guess.tracks]
            assert stations == sorted(stations, reverse=True)
            assert [t.group for t in guess.tracks] == list(play.follower.numbers)
        places = [w.place_ms for w in play.follower.where(play.now_ms)]
        assert places == sorted(places, reverse=True)
        for where in play.follower.where(play.now_ms):
            assert 0 <= where.sure <= 1
            assert where.zone in where.near


@settings(max_examples=60, deadline=None)
@given(happenings)
def test_every_group_leaves_in_the_end(steps: Sequence[tuple[str, int, int, Strength]]) -> None:
    """Whatever came before, an hour without a trigger empties the walk, in order."""
    play = Play()
    for step in steps:
        play.step(*step)
    waiting = list(play.follower.numbers)
    left = []
    for _ in range(360):
        play.now_ms += 10_000
        left += [one.number for one in play.follower.tick(play.now_ms)]
    assert left == waiting
    assert play.follower.numbers == ()


@settings(max_examples=60, deadline=None)
@given(happenings, st.sampled_from(PROPS))
def test_the_mildest_of_those_who_may_come_is_what_counts(
    steps: Sequence[tuple[str, int, int, Strength]], name: str
) -> None:
    """What is chosen is never stronger than the group it is set for, nor than a likely other."""
    play = Play()
    prop = SITE.prop(name)
    for step in steps:
        play.step(*step)
        decision = play.steering.decide(name, play.groups, NOTHING, play.now_ms)
        chances = play.follower.chances(name, play.now_ms, 0.0)
        if decision.sequence is None or decision.now is None:
            continue
        shown = prop.sequence(decision.sequence).strength
        assert shown <= play.groups[decision.now].strength
        for number, share in chances.items():
            if share > 0.5:
                assert shown <= play.groups[number].strength


@given(
    st.sampled_from(PROPS), st.sampled_from(list(Strength)), st.sampled_from(list(Strength)),
    st.frozensets(st.sampled_from(["loud", "strobe", "fog"])),
    st.frozensets(st.sampled_from(["loud", "strobe", "fog"])),
)  # fmt: skip
def test_an_offer_is_never_stronger_and_never_what_was_excluded(
    name: str,
    strength: Strength,
    ceiling: Strength,
    spared: frozenset[str],
    quiet_hours: frozenset[str],
) -> None:
    """The strongest suiting sequences below group and ceiling, or nothing with a reason."""
    prop = SITE.prop(name)
    found = Choices([prop]).offer(name, strength, spared, Limits(ceiling, quiet_hours))
    most = min(strength, ceiling)
    suiting = [
        s
        for s in prop.sequences
        if s.strength <= most and not properties_of(prop, s) & (spared | quiet_hours)
    ]
    assert bool(found.names) == bool(suiting)
    if not suiting:
        assert "stays quiet" in found.why
        return
    best = max(s.strength for s in suiting)
    assert set(found.names) == {s.name for s in suiting if s.strength is best}
    assert bool(found.why) == (best is not strength)
