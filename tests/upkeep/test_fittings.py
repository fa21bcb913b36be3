"""Where parts sit: what the site file lists, and what every motion has anyway."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.errors import UserError
from console.site.fittings import CHORE, Fitting, find, fittings
from console.site.loading import load

DEMO = Path(__file__).resolve().parents[2] / "configs" / "demo.yaml"


@pytest.fixture(scope="module")
def demo() -> tuple[Fitting, ...]:
    """The fittings of the invented site."""
    return fittings(load(DEMO))


def test_every_motion_has_a_valve_and_a_cylinder(demo: tuple[Fitting, ...]) -> None:
    """Listed or not, a motion is a valve and a cylinder."""
    for prop in load(DEMO).props:
        for motion in prop.motions:
            here = [f for f in demo if (f.prop, f.motion) == (prop.name, motion.name)]
            assert sum(f.kind == "valve" for f in here) == 1
            assert sum(f.kind == "cylinder" for f in here) == 1


def test_described_hoses_springs_and_sensors_are_parts_too(demo: tuple[Fitting, ...]) -> None:
    """What the file describes without listing it is implied, what it lists is not doubled."""
    by_id = {f.id: f for f in demo}
    assert not by_id["gate-knocker/knock/hose"].listed
    assert by_id["frozen-foreman/sit-up/assist"].listed
    assert by_id["stoker/straighten/end-sensor"].model == "reed sensor"
    assert len(by_id) == len(demo)


def test_intervals_reach_the_parts_of_their_kind_and_chores_stand_alone(
    demo: tuple[Fitting, ...],
) -> None:
    """An interval without a part is a chore: of the props it names, or of the whole site."""
    by_id = {f.id: f for f in demo}
    guide = by_id["ice-house-door/raise/guide"]
    assert [task.name for task in guide.tasks] == ["own", "bearings"]
    assert by_id["drain-tank"].kind == CHORE
    assert by_id["ice-house-door/door-rope"].tasks[0].limits.cycles == 500
    assert by_id["compressor"].tasks[0].limits.hours_h == 200


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("stoker/straighten/valve", "stoker/straighten/valve"),
        ("straighten/valve", "stoker/straighten/valve"),
        ("stoker/valve", "stoker/straighten/valve"),
        ("hip", "frozen-foreman/sit-up/hip"),
        ("//drain-tank", "drain-tank"),
        ("relief:relief-valve", "relief"),
    ],
)
def test_the_end_of_an_id_is_enough_where_it_tells(
    demo: tuple[Fitting, ...], asked: str, found: str
) -> None:
    """People write no more than they must."""
    assert find(demo, asked)[0].id == found


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ("valve", "could be"),
        ("stokr/valv", "has no part"),
        ("", "has no part"),
        ("stoker/straighten/valve:oil", "no upkeep called"),
    ],
)
def test_what_could_be_several_or_none_is_refused_with_what_there_is(
    demo: tuple[Fitting, ...], asked: str, message: str
) -> None:
    """A refusal lists what could have been meant."""
    with pytest.raises(UserError, match=message) as refused:
        find(demo, asked)
    assert refused.value.hint
