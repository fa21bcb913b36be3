"""Headway and blocked triggers, judged by `simpy` and by Erlang's loss formula.

    python tests/proof/groups_queue.py [--hours 400]

simpy, a general-purpose library for discrete-event simulation, lets groups walk the demo site's
line of props. Nothing of the project decides in there but the headway that is put to the test.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import simpy

from console.figures.queueing import blocked
from console.rules.groups.choice import Choices, Limits
from console.rules.groups.follower import Follower
from console.rules.groups.group import Group
from console.rules.groups.headway import Headway, Rate
from console.rules.groups.walk import Walk, walk_of
from console.site.kinds import Strength
from console.site.loading import load
from console.site.models import Site

DEMO = Path(__file__).resolve().parents[2] / "configs" / "demo.yaml"
HOUR_MS = 3_600_000.0


@dataclass
class Line:
    """What came of a simulated line."""

    out: int = 0
    hours: float = 0.0
    came: Counter[str] = field(default_factory=Counter)
    lost: Counter[str] = field(default_factory=Counter)

    def blocked_share(self, prop: str) -> float:
        """The share of triggers that found a prop running or resting."""
        return self.lost[prop] / max(1, self.came[prop])

    @property
    def per_hour(self) -> float:
        """Groups that came out in an hour."""
        return self.out / self.hours


def busy_ms(site: Site, strength: Strength) -> dict[str, float]:
    """How long each prop runs and rests for a strength."""
    choices = Choices(site.props)
    found = {}
    for prop in site.props:
        offer = choices.offer(prop.name, strength, frozenset(), Limits())
        found[prop.name] = float(offer.longest_ms + prop.rest_ms) if offer.names else 0.0
    return found


def simulate(
    walk: Walk,
    busy: dict[str, float],
    gap_ms: Callable[[], float],
    leg_factor: Callable[[], Callable[[], float]],
    hours: float,
) -> Line:
    """Let groups walk for so many hours; `leg_factor` gives each group its own pace."""
    env = simpy.Environment()
    props = {name: simpy.Resource(env, capacity=1) for name in walk.props}
    line = Line(hours=hours)

    def run(name: str) -> Generator[Any, Any, None]:
        with props[name].request() as mine:
            yield mine
            yield env.timeout(busy[name])

    def group() -> Generator[Any, Any, None]:
        factor = leg_factor()
        for name, leg in zip(walk.props, walk.legs_ms, strict=False):
            yield env.timeout(leg * factor())
            line.came[name] += 1
            if props[name].count:
                line.lost[name] += 1
            elif busy[name]:
                env.process(run(name))
        yield env.timeout(walk.legs_ms[-1] * factor())
        line.out += 1

    def entrance() -> Generator[Any, Any, None]:
        while True:
            env.process(group())
            yield env.timeout(gap_ms())

    env.process(entrance())
    env.run(until=hours * HOUR_MS)
    return line


def promised(site: Site, size: int = 4) -> Rate:
    """The headway that the console gives for standard groups, the air and site file left out."""
    free = site.model_copy(
        update={
            "rules": site.rules.model_copy(update={"headway_ms": None, "air_recovery_ms": None})
        }
    )
    headway = Headway(free, Follower(walk_of(free)), Choices(free.props))
    return headway.rate([Group(1, size, Strength.STANDARD)], Limits())


def steady(site: Site, hours: float, seed: int, *, faster: float = 1.0) -> tuple[Rate, Line]:
    """Groups sent at the promised headway over `faster`, of every pace from quick to usual."""
    rng = Random(seed)
    rate = promised(site)

    def pace() -> Callable[[], float]:
        factor = rng.uniform(0.75, 1.0)
        return lambda: factor

    walk = walk_of(site)
    busy = busy_ms(site, Strength.STANDARD)
    return rate, simulate(walk, busy, lambda: rate.headway_ms / faster, pace, hours)


def at_random(site: Site, per_hour: float, hours: float, seed: int) -> Line:
    """Groups that come at random and walk at random: each prop sees random arrivals, too."""
    rng = Random(seed)
    return simulate(
        walk_of(site),
        busy_ms(site, Strength.STANDARD),
        lambda: rng.expovariate(per_hour) * HOUR_MS,
        lambda: lambda: rng.gammavariate(4, 0.25),
        hours,
    )


def main() -> None:
    """Print promised and simulated figures side by side."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=400)
    hours = parser.parse_args().hours
    site = load(DEMO)
    rate, line = steady(site, hours, 1)
    print(f"at the promised headway of {rate.headway_ms / 1000:.1f} s ({rate.limit.text}):")
    print(
        f"  promised {rate.groups_per_hour:.2f} groups an hour, simpy {line.per_hour:.2f}, "
        f"blocked triggers {sum(line.lost.values())} of {sum(line.came.values())}"
    )
    _, rushed = steady(site, hours, 1, faster=2.0)
    print(
        f"at half of it: blocked triggers {sum(rushed.lost.values())} "
        f"of {sum(rushed.came.values())}"
    )
    line = at_random(site, 30, hours, 2)
    print("30 groups an hour at random, share of triggers blocked, simpy beside Erlang's loss:")
    for name, ms in busy_ms(site, Strength.STANDARD).items():
        formula = blocked(30, ms / 1000).blocked_fraction
        print(f"  {name:18} {line.blocked_share(name):7.3%} {formula:7.3%}")
    one = Walk(("prop",), ("zone",), ("zone",), (1000.0, 1000.0), (2000.0,))
    rng = Random(3)
    line = simulate(
        one, {"prop": 45_000.0}, lambda: rng.expovariate(30) * HOUR_MS, lambda: lambda: 1.0, hours
    )
    print(
        f"one prop, 30 groups an hour, busy 45 s: simpy {line.blocked_share('prop'):.3%}, "
        f"Erlang's loss {blocked(30, 45).blocked_fraction:.3%}"
    )


if __name__ == "__main__":
    main()
