"""Guests: in order, in their numbers, and on every sensor as its kind has it."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.description import PlantDescription, SensorKind, perturbed
from drivers.simulated.guests import Guests, Touch
from tests.simulated.nights import plant_of

HOUR_US = 3_600_000_000


def touches(
    description: PlantDescription, seed: int, until_us: int, **options: float
) -> list[Touch]:
    guests = Guests(description, random.Random(seed), 0, **options)
    found: list[Touch] = []
    while (next_us := guests.next_us) is not None and next_us <= until_us:
        found += guests.take(next_us)
    return found


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 1 << 30))
def test_touches_come_in_order_and_in_pairs(seed: int) -> None:
    """Time never goes back, and in the end nobody stands on a sensor for ever."""
    description = plant_of(6)
    found = touches(description, seed, HOUR_US // 6, groups_per_hour=60)
    assert [t.at_us for t in found] == sorted(t.at_us for t in found)
    for sensor in range(6):
        level, highest = 0, 0
        for touch in (t for t in found if t.sensor == sensor):
            level += touch.by
            highest = max(highest, level)
        assert -1 <= level <= 12
        assert highest <= 12


def test_a_night_repeats_under_its_seed() -> None:
    """The same seed gives the same night, another a different one."""
    description = plant_of(4)
    first = touches(description, 1, HOUR_US // 4)
    assert first == touches(description, 1, HOUR_US // 4)
    assert first != touches(description, 2, HOUR_US // 4)


@pytest.mark.parametrize("rate", [20.0, 90.0])
def test_groups_come_at_the_rate_asked_for(rate: float) -> None:
    """Over ten hours within a tenth."""
    guests = Guests(plant_of(1), random.Random(3), 0, groups_per_hour=rate)
    before = guests.groups
    while (next_us := guests.next_us) is not None and next_us < 10 * HOUR_US:
        for _ in guests.take(next_us):
            pass
    assert (guests.groups - before) / 10 == pytest.approx(rate, rel=0.1)


def test_no_guests_come_at_rate_zero() -> None:
    """A plant can stand empty."""
    assert Guests(plant_of(3), random.Random(1), 0, groups_per_hour=0).next_us is None


def test_speed_brings_more_of_them() -> None:
    """Four times the speed is about four times the touches in the same time."""
    slow = len(touches(plant_of(6), 1, HOUR_US // 2))
    fast = len(touches(plant_of(6), 1, HOUR_US // 2, speed=4.0))
    assert fast / slow == pytest.approx(4.0, rel=0.25)


def test_infrared_stays_longer_than_a_beam() -> None:
    """Each kind of sensor keeps its own time."""
    found = touches(plant_of(6), 5, HOUR_US // 2)
    kinds = [sensor.kind for sensor in plant_of(6).sensors]
    active = dict.fromkeys(kinds, 0)
    count = dict.fromkeys(kinds, 0)
    for number, kind in enumerate(kinds):
        mine = [t for t in found if t.sensor == number]
        active[kind] += sum(-t.by * t.at_us for t in mine)
        count[kind] += sum(t.by > 0 for t in mine)
    mean = {kind: active[kind] / max(1, count[kind]) / 1e6 for kind in set(kinds)}
    assert mean[SensorKind.BEAM] < 0.6
    assert mean[SensorKind.INFRARED] > 1.2


def test_a_perturbed_plant_is_near_the_described_one() -> None:
    """Every number a little off, the same under the same seed."""
    described = plant_of(8)
    built = perturbed(described, 7)
    assert built == perturbed(described, 7)
    assert built != perturbed(described, 8)
    for before, after in zip(described.motions, built.motions, strict=True):
        assert after.out_s == pytest.approx(before.out_s, rel=0.3)
        assert (after.board, after.output, after.bore_m) == (
            before.board, before.output, before.bore_m,
        )  # fmt: skip


def test_a_description_survives_json() -> None:
    """What is written is what is read."""
    described = perturbed(plant_of(5, shared=2), 3)
    assert PlantDescription.from_json(described.to_json()) == described
    assert [len(boards) for boards in described.lines().values()] == [1, 1, 1, 2]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no JSON"),
        ("[]", "must be an object"),
        ("{}", "boards"),
        ('{"boards": []}', "at least one board"),
        ('{"boards": [{"name": "a", "line": "l"}], "motors": []}', "unknown 'motors'"),
        ('{"boards": [{"name": 7, "line": "l"}]}', "boards[0].name must be a str"),
        ('{"boards": [{"name": "a", "line": "l"}, {"name": "a", "line": "m"}]}', "same name"),
        (
            '{"boards": [{"name": "a", "line": "l"}], "sensors":'
            ' [{"board": "a", "input": 1, "kind": "mat", "zone": "attic"}]}',
            "no zone 'attic'",
        ),
        (
            '{"boards": [{"name": "a", "line": "l"}], "motions":'
            ' [{"board": "b", "output": 1, "out_s": 1, "back_s": 1}]}',
            "no board 'b'",
        ),
        (
            '{"boards": [{"name": "a", "line": "l"}], "sensors":'
            ' [{"board": "a", "input": 1, "kind": "ghost", "zone": "z"}]}',
            "ghost",
        ),
    ],
)
def test_a_bad_description_says_why(text: str, says: str) -> None:
    """A ValueError with the place and the reason, never a traceback of another kind."""
    with pytest.raises(ValueError, match=r".") as caught:
        PlantDescription.from_json(text)
    assert says in str(caught.value)
