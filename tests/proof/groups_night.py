"""A night of groups on the demo site's walk, followed and steered, beside a naive baseline.

    python tests/proof/groups_night.py [--groups 200] [--seed 1] [--nights 1] [--every S] [--json]

The guests here are made by other rules than those that the follower believes in: uniform paces,
gamma-distributed legs, stops, stragglers, groups that turn back, a prop that is out of service a
while. Of the triggers 5 % are missed, and for every 100 passings there are 2 false ones. The naive
baseline switches every prop when a group is sent, on the same night with the same triggers.
Groups go when the headway says so, and up to 30 s later; with `--every` that often without asking.
"""

from __future__ import annotations

import argparse
import heapq
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from console.rules.groups.choice import Choices, Limits
from console.rules.groups.follower import Follower
from console.rules.groups.group import Group
from console.rules.groups.headway import Headway
from console.rules.groups.steering import Decision, Steering
from console.rules.groups.walk import walk_of
from console.site.kinds import Strength
from console.site.loading import load
from console.site.models import Prop, Site

DEMO = Path(__file__).resolve().parents[2] / "configs" / "demo.yaml"
MISSED, FALSE = 0.05, 0.02
LATENCY_MS = 700.0
"""From a decision to the board that has taken it."""
LOOK_MS = 1000.0
NOBODY = -1
EVERYTHING = Limits()


@dataclass(frozen=True, slots=True)
class Trip:
    """Somebody of a group, or nobody, trips a prop."""

    at_ms: float
    group: int
    prop: str


@dataclass(slots=True)
class Score:
    """What groups got to see. A passing is one group at one prop."""

    right: int = 0
    milder: int = 0
    above: int = 0
    nothing: int = 0
    again: int = 0
    again_above: int = 0

    @property
    def shown(self) -> int:
        """Passings at which the prop could show something."""
        return self.right + self.milder + self.above

    def as_dict(self) -> dict[str, float]:
        """The figures by name."""
        return {
            "shown": self.shown,
            "right": self.right / max(self.shown, 1),
            "milder": self.milder / max(self.shown, 1),
            "above": self.above / max(self.shown, 1),
            "above_count": self.above,
            "nothing": self.nothing,
            "shown_again": self.again,
            "shown_again_above": self.again_above,
        }


@dataclass(slots=True)
class Machine:
    """One prop: what is selected, and until when it runs and rests."""

    prop: Prop
    selected: str | None
    running_until_ms: float = 0.0
    busy_until_ms: float = 0.0
    waiting: list[tuple[float, str | None]] = field(default_factory=list)

    def select(self, name: str | None, at_ms: float) -> None:
        """Ask for a sequence; it holds from the next cycle on."""
        self.waiting.append((at_ms, name))

    def trip(self, now_ms: float) -> tuple[bool, str | None]:
        """(could run, what ran); a prop that is set to stay quiet runs nothing."""
        while self.waiting and self.waiting[0][0] <= now_ms:
            self.selected = self.waiting.pop(0)[1]
        if now_ms < self.busy_until_ms:
            return False, None
        if self.selected is not None:
            length = self.prop.sequence(self.selected).length_ms
            self.running_until_ms = now_ms + length
            self.busy_until_ms = now_ms + length + self.prop.rest_ms
        return True, self.selected


@dataclass(slots=True)
class Side:
    """The same night seen by one way of switching."""

    choices: Choices
    machines: dict[str, Machine]
    score: Score = field(default_factory=Score)
    met: set[tuple[int, str]] = field(default_factory=set)
    shown: set[tuple[int, str]] = field(default_factory=set)
    worst: list[str] = field(default_factory=list)

    def trip(self, trip: Trip, groups: dict[int, Group], broken: bool) -> str | None:
        """Let a trigger come; the sequence that ran."""
        machine = self.machines[trip.prop]
        if broken:
            return None
        could, ran = machine.trip(trip.at_ms)
        if trip.group == NOBODY:
            return ran
        key = (trip.group, trip.prop)
        if could:
            self._judge(key, machine.prop, ran, groups[trip.group], trip.at_ms)
        return ran

    def _judge(
        self, key: tuple[int, str], prop: Prop, ran: str | None, group: Group, at_ms: float
    ) -> None:
        suiting = self.choices.offer(prop.name, group.strength, group.exclude, EVERYTHING)
        right = ran in suiting.names if suiting.names else ran is None
        above = ran is not None and prop.sequence(ran).strength > group.strength
        if key in self.shown:
            self.score.again += ran is not None
            self.score.again_above += above
            return
        self.shown.add(key)
        self.score.right += right
        self.score.above += above
        self.score.milder += not right and not above
        if above:
            self.worst.append(f"group {key[0]} ({group.strength}) saw {ran} of {prop.name}")


def make_group(number: int, rng: Random) -> Group:
    """A group as it comes to the entrance."""
    strengths = list(Strength)
    strength = rng.choices(strengths, (5, 30, 35, 30))[0]
    exclude = frozenset(["strobe"]) if rng.random() < 0.05 else frozenset()
    return Group(number, rng.randint(1, 8), strength, exclude=exclude)


@dataclass(slots=True)
class Crowd:
    """Makes the way of each group, behind the one before it."""

    site: Site
    rng: Random
    passings: int = 0
    _ahead: dict[str, float] = field(default_factory=dict)

    def trips(self, group: Group, sent_ms: float) -> Iterator[Trip]:
        """Every trigger that a group brings, heads, followers and stragglers."""
        rng, walk = self.rng, walk_of(self.site)
        pace = rng.uniform(0.75, 1.3)
        stop_leg = rng.randrange(len(walk.legs_ms)) if rng.random() < 0.06 else -1
        turns_at = rng.randrange(len(walk.props)) if rng.random() < 0.01 else -1
        straggles = rng.uniform(8_000, 40_000) if rng.random() < 0.15 else 0.0
        at = sent_ms
        for station, prop in enumerate(walk.props):
            at += walk.legs_ms[station] * pace * rng.gammavariate(20, 1 / 20)
            if station == stop_leg:
                at += rng.uniform(20_000, 70_000)
            at = max(at, self._ahead.get(prop, 0.0) + 5000.0)
            if station == turns_at:
                return
            self.passings += 1
            feet = [at + rng.uniform(700, 1800) * i for i in range(group.size)]
            if straggles and group.size > 1:
                feet[-1] = at + straggles * rng.uniform(0.7, 1.3)
            self._ahead[prop] = feet[-1]
            if rng.random() < MISSED:
                feet = []
            for foot in feet:
                yield Trip(foot, group.number, prop)


class Night:
    """One simulated night."""

    def __init__(self, site: Site, groups: int, seed: int, every_s: float = 0.0) -> None:
        self.site = site
        self.rng = Random(seed)
        self.count = groups
        self.every_ms = every_s * 1000
        self.groups: dict[int, Group] = {}
        walk = walk_of(site)
        self.follower = Follower(walk)
        self.choices = Choices(site.props)
        self.steering = Steering(site, self.follower, self.choices, Random(seed + 1))
        self.headway = Headway(site, self.follower, self.choices)
        self.steered = self._side()
        self.naive = self._side()
        self.decisions: dict[str, Decision] = {}
        self.slowest_ms = 0.0
        self.sent_ms: list[float] = []
        self.left_wrong_order = 0

    def _side(self) -> Side:
        return Side(self.choices, {p.name: Machine(p, p.default_sequence) for p in self.site.props})

    def run(self) -> dict[str, object]:
        """Play it through; the figures."""
        crowd = Crowd(self.site, self.rng)
        queue: list[tuple[float, int, object]] = [(0.0, 0, "send"), (0.0, 1, "look")]
        ticket = 2
        out_from, out_to = round(self.count * 0.4), round(self.count * 0.55)
        broken_prop = self.follower.walk.props[4]
        false_per_group = FALSE * len(self.follower.walk.props)
        while queue:
            now, _, what = heapq.heappop(queue)
            if what == "send":
                number = len(self.groups) + 1
                group = make_group(number, self.rng)
                self.groups[number] = group
                self.sent_ms.append(now)
                self.follower.in_service(broken_prop, not out_from <= number < out_to)
                self.follower.send(number, group.size, now)
                for name in self.naive.machines:
                    found = self.choices.offer(name, group.strength, group.exclude, EVERYTHING)
                    self.naive.machines[name].select(next(iter(found.names), None), now)
                trips = list(crowd.trips(group, now))
                for _ in range(sum(self.rng.random() < false_per_group / 4 for _ in range(4))):
                    prop = self.rng.choice(self.follower.walk.props)
                    trips.append(Trip(now + self.rng.uniform(0, 120_000), NOBODY, prop))
                for trip in trips:
                    heapq.heappush(queue, (trip.at_ms, ticket, trip))
                    ticket += 1
            elif what == "look":
                self._look(now)
                if len(self.groups) < self.count or self.follower.numbers:
                    heapq.heappush(queue, (now + LOOK_MS, ticket, "look"))
                    ticket += 1
                last = len(self.groups)
                if last < self.count and self.sent_ms:
                    self._maybe_send(now, queue, ticket)
                    ticket += 1
            elif isinstance(what, Trip):
                number = what.group
                broken = what.prop == broken_prop and out_from <= len(self.groups) < out_to
                ran = self.steered.trip(what, self.groups, broken)
                self.naive.trip(what, self.groups, broken)
                if not broken:
                    if ran is not None:
                        self.steering.played(what.prop, ran)
                    self.follower.trigger(what.prop, now)
        for side in (self.steered, self.naive):
            side.score.nothing = crowd.passings - side.score.shown
        hours = (self.sent_ms[-1] - self.sent_ms[0]) / 3.6e6
        return {
            "groups": self.count,
            "passings": crowd.passings,
            "groups_per_hour": round((self.count - 1) / hours, 1),
            "steered": self.steered.score.as_dict(),
            "naive": self.naive.score.as_dict(),
            "slowest_decision_round_ms": round(self.slowest_ms, 2),
        }

    _due_ms = 0.0

    def _maybe_send(self, now: float, queue: list[tuple[float, int, object]], ticket: int) -> None:
        if self._due_ms > self.sent_ms[-1]:
            if now >= self._due_ms and len(self.sent_ms) < self.count:
                self._due_ms = 0.0
                heapq.heappush(queue, (now, ticket, "send"))
            return
        if self.every_ms:
            self._due_ms = self.sent_ms[-1] + self.every_ms
            return
        group = self.groups[len(self.groups)]
        ready = self.headway.ready(group, now, EVERYTHING)
        if now >= ready.at_ms:
            self._due_ms = now + self.rng.uniform(0, 30_000)

    def _look(self, now: float) -> None:
        began = time.perf_counter()
        self.follower.tick(now)
        within = {n: self.groups[n] for n in self.follower.numbers}
        for name, machine in self.steered.machines.items():
            if now < machine.running_until_ms:
                continue
            decision = self.steering.decide(name, within, EVERYTHING, now)
            wanted = machine.waiting[-1][1] if machine.waiting else machine.selected
            if decision.sequence != wanted:
                machine.select(decision.sequence, now + LATENCY_MS)
            self.decisions[name] = decision
        self.slowest_ms = max(self.slowest_ms, (time.perf_counter() - began) * 1000)


def main() -> None:
    """Print the figures of one or several nights."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--groups", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nights", type=int, default=1)
    parser.add_argument("--every", type=float, default=0.0, metavar="S")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    site = load(DEMO)
    for seed in range(arguments.seed, arguments.seed + arguments.nights):
        night = Night(site, arguments.groups, seed, arguments.every)
        figures = night.run()
        if arguments.json:
            print(json.dumps({"seed": seed, **figures}))
            continue
        print(
            f"night {seed}: {figures['groups']} groups, {figures['passings']} passings, "
            f"{figures['groups_per_hour']} groups an hour"
        )
        for name in ("steered", "naive"):
            score = figures[name]
            assert isinstance(score, dict)
            print(
                f"  {name:8} right {score['right']:.2%} of {score['shown']}, milder "
                f"{score['milder']:.2%}, above the group's strength {score['above']:.2%} "
                f"({score['above_count']}); shown again to stragglers {score['shown_again']}, "
                f"above {score['shown_again_above']}; nothing to see {score['nothing']}"
            )
        for line in night.steered.worst:
            print(f"    {line}")


if __name__ == "__main__":
    main()
