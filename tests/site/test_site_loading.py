"""What a loaded site says, told by the sites that come with the program."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from pydantic import ValidationError

from console.site.compiling import steps_of
from console.site.loading import check, load
from console.site.models import (
    AtStop,
    DeEnergised,
    Motion,
    OutputKind,
    Plan,
    SensorKind,
    Site,
    Step,
    Strength,
    TriggerSource,
    WrittenStep,
)
from console.site.problems import Problem
from console.site.shipped import NAMES, shipped


@pytest.fixture(scope="module")
def demo() -> Site:
    """The invented attraction."""
    return load(shipped("demo"))


@pytest.mark.parametrize("name", NAMES)
def test_shipped_sites_have_nothing_to_remark(name: str) -> None:
    """Neither a problem nor a warning."""
    assert check(shipped(name)) == []


def test_demo_is_as_large_as_promised(demo: Site) -> None:
    """At least 8 props in 4 zones on at least 6 controllers, two of them on one line."""
    assert [z.name for z in demo.zones] == ["gate-yard", "ice-house", "boiler-hall", "drying-loft"]
    assert len(demo.props) >= 8
    assert len(demo.controllers) >= 6
    assert all(demo.props_of_zone(z.name) for z in demo.zones)
    assert {c.name for c in demo.controllers if c.shared} == {"loft-east", "loft-west"}
    assert [c.address for c in demo.controllers_of_line("loft")] == [1, 2]


def test_demo_has_one_of_everything(demo: Site) -> None:
    """Every strength, kind of sensor, kind of output, fate of a motion, and plan is met."""
    sensors = [p.trigger(TriggerSource.SENSOR) for p in demo.props]
    assert {t.kind for t in sensors if t} == set(SensorKind)
    assert {s.strength for p in demo.props for s in p.sequences} == set(Strength)
    assert {c.kind for p in demo.props for c in p.channels} == set(OutputKind)
    assert {m.de_energised for p in demo.props for m in p.motions} == set(DeEnergised)
    assert {o.at_stop for p in demo.props for o in p.outputs} == set(AtStop)
    assert {p.plan for p in demo.props} >= {Plan.FIXED, Plan.SHUFFLED}
    words = {w for p in demo.props for c in p.channels for w in c.properties}
    assert words == {"strobe", "loud", "fog"}
    assert demo.air.compressor
    assert demo.air.tank
    assert demo.supplies
    assert demo.service
    assert any(p.outdoor for p in demo.props)


def test_the_foreman_ends_alike_in_both_sequences(demo: Site) -> None:
    """Three motions; the stronger sequence moves more, before the very steps of the plainer one."""
    foreman = demo.prop("frozen-foreman")
    assert len(foreman.motions) == 3
    assert foreman.idle is not None
    plain, more = foreman.sequences
    assert plain.strength < more.strength
    ending = [(s.at_ms + 4000, s.output, s.on) for s in plain.steps if s.output != 5]
    tail = [(s.at_ms, s.output, s.on) for s in more.steps if s.output not in (5, 6)][-len(ending) :]
    assert sorted(tail) == sorted(ending)
    assert len(more.steps) > len(plain.steps)


def test_numbers_run_over_each_controller(demo: Site) -> None:
    """Props and sequences are numbered from 1 without a gap, an idle movement after its prop's."""
    for controller in demo.controllers:
        props = demo.props_of_controller(controller.name)
        assert [p.index for p in props] == list(range(1, len(props) + 1))
        numbers = []
        for prop in props:
            numbers += [s.number for s in prop.sequences]
            numbers += [prop.idle.number] if prop.idle else []
        assert numbers == list(range(1, len(numbers) + 1))


def test_lookups_find_by_name_or_raise(demo: Site) -> None:
    """Each lookup gives the entry of that name and a KeyError without one."""
    assert demo.prop("stoker").motion("straighten").de_energised is DeEnergised.HOLDS
    assert demo.controller("ice-door").board_id == "DOOR-1"
    assert demo.line("loft").baud == 57_600
    assert demo.zone("ice-house").walk_ms == 70_000
    assert demo.supply("coils-front").voltage_v == 24
    assert demo.prop("stoker").output_name(2) == "air"
    for lookup in (demo.prop, demo.controller, demo.line, demo.zone, demo.supply):
        with pytest.raises(KeyError):
            lookup("nobody")
    with pytest.raises(KeyError):
        demo.prop("stoker").output_name(9)


def test_triggers_include_operator_and_test(demo: Site) -> None:
    """Operator and test are sources of every prop; sensor and actor where the file has them."""
    sources = {p.name: [t.source for t in p.triggers] for p in demo.props}
    assert sources["gate-knocker"] == list(TriggerSource)
    assert sources["last-bell"] == [
        TriggerSource.SENSOR,
        TriggerSource.OPERATOR,
        TriggerSource.TEST,
    ]
    door = demo.prop("ice-house-door").trigger(TriggerSource.SENSOR)
    assert door is not None
    assert (door.input, door.active, door.warm_up_ms, door.debounce_ms) == (1, "high", 30_000, 120)


def test_channels_are_motions_and_outputs_by_number(demo: Site) -> None:
    """Motions are channels of kind motion, with their coil's power and the largest on-time."""
    channels = demo.prop("frozen-foreman").channels
    assert [c.output for c in channels] == [1, 2, 3, 4, 5, 6, 7]
    assert [c.kind for c in channels[:4]] == [OutputKind.MOTION] * 3 + [OutputKind.SOUND]
    assert channels[0].power_w == 4.8
    assert channels[3].max_on_ms == 120_000  # what sound gets where the file is silent
    assert channels[4].max_on_ms is None  # lights have no limit


def test_the_least_pressure_is_the_higher_of_prop_and_pilot(demo: Site) -> None:
    """A pilot valve that needs more than the prop raises what the prop needs."""
    stoker = demo.prop("stoker")
    assert stoker.min_air_psi == 50
    assert stoker.model_copy(update={"min_pressure_psi": 20.0}).min_air_psi == 35
    assert stoker.model_copy(update={"motions": (), "min_pressure_psi": None}).min_air_psi == 0


def test_returning_air_moves_double_acting_cylinders_unless_told(demo: Site) -> None:
    """Double-acting ones move when air returns, single-acting ones don't, and the file decides."""
    moves = {p.name: m.moves_when_air_returns for p in demo.props for m in p.motions[:1]}
    assert moves["lurching-cart"]
    assert not moves["gate-knocker"]
    assert not moves["stoker"]


def test_strengths_are_ordered() -> None:
    """Quiet is the mildest; text that is no strength has no order with them."""
    assert sorted([*Strength][2:] + [*Strength][:2]) == list(Strength)
    assert Strength.QUIET < Strength.MILD <= Strength.STANDARD < Strength.STRONG
    assert Strength.STRONG > Strength.MILD >= Strength.MILD
    assert max(Strength) is Strength.STRONG
    with pytest.raises(TypeError):
        _ = Strength.MILD < 3  # type: ignore[operator]


def test_sound_starts_early_by_its_delay(demo: Site) -> None:
    """A sound that needs 250 ms to be heard is switched on 250 ms earlier, and off as written."""
    door = demo.prop("ice-house-door")
    groan = door.channel("groan").output
    steps = [s for s in door.sequence("slow-door").steps if s.output == groan]
    assert [(s.at_ms, s.on) for s in steps] == [(250, True), (15_000, False)]
    assert [s.at_ms for s in door.sequence("slow-door").steps] == sorted(
        s.at_ms for s in door.sequence("slow-door").steps
    )


def test_a_sound_never_starts_before_the_sequence(demo: Site) -> None:
    """Asked for earlier than it can be heard, a sound starts at 0."""
    door = demo.prop("ice-house-door")
    early = WrittenStep.model_validate({"at": "100 ms", "groan": "on"}, by_name=False)
    assert steps_of(door, [early]) == (Step(at_ms=0, output=4, on=True),)


def test_steps_know_the_row_of_the_file(demo: Site) -> None:
    """Each step names the row it comes from, also where a sound was moved before others."""
    door = demo.prop("ice-house-door").sequence("slow-door")
    assert {s.row for s in door.steps} == set(range(len(door.written)))


def test_models_are_frozen_and_hashable(demo: Site) -> None:
    """Nothing of a loaded site can be changed, and parts of it can be keys."""
    with pytest.raises(ValidationError):
        demo.props[0].title = "Other"
    assert len({*demo.props, *demo.props}) == len(demo.props)


def test_models_can_be_built_in_python_by_field_names() -> None:
    """Values given in Python are taken in the unit of the field's name."""
    motion = Motion(
        name="lift", output=1, de_energised=DeEnergised.RETURNS, travel_ms=300, return_ms=400
    )
    assert motion.travel_ms == 300


def test_field_names_are_no_keys_of_the_file(tmp_path: Path) -> None:
    """`travel_ms` is a name of the code; the file has to say `travel` and a unit."""
    text = shipped("bench").read_text(encoding="utf-8").replace("travel: 400 ms", "travel_ms: 400")
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    (problem,) = check(path)
    assert problem.message == "unknown key 'travel_ms' in motion lift of prop lid"
    assert problem.remedy == "did you mean travel?"


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    """Some editors add both."""
    path = tmp_path / "site.yaml"
    text = shipped("bench").read_text(encoding="utf-8").replace("\n", "\r\n")
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert check(path) == []


def test_an_alias_stands_for_its_value(tmp_path: Path) -> None:
    """A marked value can be used again."""
    text = shipped("bench").read_text(encoding="utf-8")
    text = text.replace("travel: 400 ms", "travel: &t 400 ms").replace("600 ms #", "*t #")
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    assert load(path).prop("lid").motion("lift").return_ms == 400


def test_more_checks_see_the_site_and_its_places(tmp_path: Path) -> None:
    """A check from elsewhere gets the draft and finds places in the file."""

    def too_heavy(draft):  # type: ignore[no-untyped-def]
        for prop in draft.site.props:
            for motion in prop.motions:
                path = ("props", prop.name, "motions", motion.name, "cylinder", "load")
                yield draft.problem(path, "too heavy", "lift less")

    (problem,) = check(shipped("bench"), [too_heavy])
    assert problem.source[problem.column - 1 :].startswith("25 lbf")
    assert dataclasses.is_dataclass(Problem)
