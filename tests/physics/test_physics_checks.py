"""The site file against physics: each finding with its number, its limit and what would fix it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from console.rules.physics.checks import CHECKS
from console.rules.physics.sizes import BORES_IN, inches, next_size
from console.site.loading import check
from console.site.problems import Problem, Severity
from console.site.shipped import shipped

DEMO = shipped("demo").read_text(encoding="utf-8")
Check = Callable[..., list[Problem]]


@pytest.fixture
def found(tmp_path: Path) -> Check:
    """What physics finds in the demo after some replacements, each of which must match."""

    def run(*changes: tuple[str, str]) -> list[Problem]:
        text = DEMO
        for before, after in changes:
            assert before in text, before
            text = text.replace(before, after)
        path = tmp_path / "site.yaml"
        path.write_text(text, encoding="utf-8")
        return check(path, CHECKS)

    return run


def only(problems: list[Problem]) -> Problem:
    """The single finding."""
    assert len(problems) == 1, [p.head for p in problems]
    return problems[0]


@pytest.mark.parametrize("name", ["demo", "bench"])
def test_shipped_sites_are_plausible(name: str) -> None:
    """Nothing to say about the files that come with the program."""
    assert check(shipped(name), CHECKS) == []


def test_too_little_force_names_bore_pressure_and_assist(found: Check) -> None:
    """3/4 in at 60 psi gives 26.5 lbf (checks 1j) against 18: 1.47, and 2 is needed."""
    one = only(found(("bore: 1.0625 in, stroke: 3 in", "bore: 0.75 in, stroke: 3 in")))
    assert "27 lbf at 60 psi against 18 lbf: a margin of 1.47" in one.message
    assert "needs 2" in one.message
    assert one.remedy == "it takes a bore of 7/8 in, or 82 psi, or an assist of 5 lbf"
    assert one.severity is Severity.WARNING


def test_the_bore_it_names_is_enough(found: Check) -> None:
    """Put in what the remedy says, and the finding is gone."""
    one = only(found(("bore: 1.0625 in, stroke: 3 in", "bore: 0.75 in, stroke: 3 in")))
    assert "7/8 in" in one.remedy
    assert not found(("bore: 1.0625 in, stroke: 3 in", "bore: 7/8 in, stroke: 3 in"))
    assert not found(
        ("bore: 1.0625 in, stroke: 3 in", "bore: 0.75 in, stroke: 3 in"),
        ("    set_pressure: 60 psi\n    min_pressure: 45 psi\n    rest: 10 s",
         "    set_pressure: 82 psi\n    min_pressure: 45 psi\n    rest: 10 s"),
    )  # fmt: skip
    assert not found(
        ("bore: 1.0625 in, stroke: 3 in", "bore: 0.75 in, assist: 5 lbf, stroke: 3 in")
    )


def test_a_slow_motion_needs_half_as_much_again(found: Check) -> None:
    """The door at 45 psi: 141 lbf against 110 are 1.29, and 1.5 are needed."""
    problems = found(
        ("set_pressure: 80 psi\n    min_pressure: 65 psi", "set_pressure: 45 psi"),
    )
    assert any("a margin of 1.29, and a slow motion needs 1.5" in p.message for p in problems)


def test_a_cylinder_that_cannot_move_is_a_problem(found: Check) -> None:
    """Under its load it neither has a margin nor arrives."""
    problems = found(("load: 110 lbf", "load: 400 lbf"))
    assert {p.severity for p in problems} == {Severity.PROBLEM}
    assert any("a margin of 0.63" in p.message for p in problems)
    assert any("does not go out" in p.message for p in problems)


def test_a_cylinder_that_cannot_come_home_is_a_problem(found: Check) -> None:
    """Single acting, with neither load nor spring to bring it back."""
    one = only(found(("load: 12 lbf, spring: 6 lbf, moving: 5 lb", "load: 0.1 lbf, moving: 5 lb")))
    assert "does not come back" in one.message


def test_a_rod_thicker_than_its_bore_is_a_problem(found: Check) -> None:
    """No cylinder is like that, and nothing else is reckoned from it."""
    one = only(found(("rod: 0.3125 in, acting: single, load: 12 lbf", "rod: 2 in, load: 12 lbf")))
    assert "a rod of 2 in does not fit a bore of 1.0625 in" in one.message


def test_a_regulator_above_cut_in_is_named(found: Check) -> None:
    """The tank falls to 95 psi before the compressor starts; nothing is regulated up."""
    problems = found(("set_pressure: 80 psi", "set_pressure: 110 psi"))
    assert any("set to 110 psi, and the tank falls to 95 psi" in p.message for p in problems)


SWING = "swing: {arm: 3 in, base: 9 in, closed: 6.5 in, angle: 84 deg}"


def test_a_triangle_that_cannot_close_is_a_problem(found: Check) -> None:
    """The cylinder would have to be longer than arm and base together."""
    one = only(found((SWING, "swing: {arm: 3 in, base: 9 in, closed: 9 in, angle: 84 deg}")))
    assert one.severity is Severity.PROBLEM
    assert "goes from 9 to 13 in" in one.message
    assert "closes only from 6 to 12 in" in one.message
    assert one.remedy == "a cylinder of 6.00 to 8.00 in from pin to pin with the rod in"


def test_an_angle_that_is_not_reached_is_a_problem(found: Check) -> None:
    """84 deg is what it makes; the stroke that makes 120 is named and makes it."""
    one = only(found((SWING, "swing: {arm: 3 in, base: 9 in, closed: 6.5 in, angle: 120 deg}")))
    assert "turns 84 deg, and 120 deg are meant" in one.message
    needed = re.search(r"a stroke of ([\d.]+) in", one.remedy)
    assert needed is not None
    fixed = found(
        (SWING, "swing: {arm: 3 in, base: 9 in, closed: 6.5 in, angle: 120 deg}"),
        ("stroke: 4 in\n", f"stroke: {needed[1]} in\n"),
    )
    assert not any("deg are meant" in p.message for p in fixed)


def test_an_angle_beyond_what_is_meant_is_a_warning(found: Check) -> None:
    """It hits what stands in its way."""
    one = only(found((SWING, "swing: {arm: 3 in, base: 9 in, closed: 6.5 in, angle: 60 deg}")))
    assert one.severity is Severity.WARNING
    assert "past the 60 deg" in one.message


def test_a_dead_point_is_a_warning(found: Check) -> None:
    """Almost in line with its arm, the cylinder pushes into the pivot."""
    one = only(found((SWING, "swing: {arm: 3 in, base: 9 in, closed: 6.02 in}")))
    assert "dead point" in one.message
    assert "a base of about 8.56 in" in one.remedy


def test_without_the_closed_length_the_best_case_is_judged(found: Check) -> None:
    """A 4 in stroke cannot turn a 6 in arm through 90 deg: 2 r sin(45 deg) are 8.49 in (10a)."""
    one = only(found((SWING, "swing: {arm: 6 in, base: 9 in, angle: 90 deg}")))
    assert "less than 90 deg" in one.message
    assert one.remedy == "take hold 2.83 in from the pivot, or take a stroke of 8.49 in"
    one = only(found((SWING, "swing: {arm: 1.5 in, base: 9 in}")))
    assert "closes over 3 in at most" in one.message


def test_a_stated_travel_that_air_cannot_make_is_a_warning(found: Check) -> None:
    """The file says 200 ms; the throttled cart takes twice that."""
    problems = found(("travel: 450 ms", "travel: 200 ms"))
    one = next(p for p in problems if "the file says 200 ms" in p.message)
    assert "lurch of lurching-cart takes about" in one.message
    assert "give it" in one.remedy


def test_a_step_that_leaves_no_time_is_a_warning(found: Check) -> None:
    """By the file's travel it fits; by the air's it does not."""
    problems = found(
        ("travel: 450 ms", "travel: 360 ms"),
        ("{at: 2400 ms, lurch: off}", "{at: 580 ms, lurch: off}"),
    )
    one = only(problems)
    assert one.severity is Severity.WARNING
    assert "lurch has 380 ms until here" in one.message
    assert re.search(r"move this step \d+ ms later", one.remedy)


def test_a_supply_over_its_125_percent_is_a_warning_and_over_its_rating_a_problem(
    found: Check,
) -> None:
    """5 A are 4 A for long (checks 11b); the remedy's supply is enough."""
    back = "coils-back: {voltage: 24 V, current: 5 A"
    one = only(found((back, "coils-back: {voltage: 24 V, current: 3.5 A")))
    assert one.severity is Severity.WARNING
    assert "2.97 A" in one.message
    assert "of 3.5 A 2.80 A are usable" in one.message
    assert "take one of 5 A, or move stoker (1.20 A)" in one.remedy
    over = only(found((back, "coils-back: {voltage: 24 V, current: 2.5 A")))
    assert over.severity is Severity.PROBLEM


def test_a_long_thin_wire_warns_at_5_and_is_refused_at_10_percent(found: Check) -> None:
    """AWG 18 loses 2 x 7.95 ohm a thousand feet (checks 11d): 0.2 A over 400 ft are 1.27 V."""
    one = only(found(("wire: {awg: 18, length: 40 ft}", "wire: {awg: 18, length: 400 ft}")))
    assert one.severity is Severity.WARNING
    assert "gets 22.7 V of 24 V (-5 %)" in one.message
    assert one.remedy == "AWG 16 wire, or a shorter run"
    one = only(found(("wire: {awg: 18, length: 40 ft}", "wire: {awg: 18, length: 800 ft}")))
    assert one.severity is Severity.PROBLEM


def test_a_coil_of_another_voltage_is_a_problem(found: Check) -> None:
    """12 V coils burn on 24 V."""
    old = "coil: 4.8 W, voltage: 24 V, min_pressure: 25 psi, quick_exhaust"
    one = only(found((old, old.replace("24 V", "12 V"))))
    assert "(+98 %)" in one.message
    assert "a coil for 24 V" in one.remedy


def test_a_rest_too_short_for_the_air_is_a_warning(found: Check) -> None:
    """With a small compressor a prop that runs whenever it may takes more than there is."""
    problems = found(("delivers: 5 scfm", "delivers: 0.9 scfm"))
    one = next(p for p in problems if p.message.startswith("frozen-foreman takes"))
    assert "and the compressor has 0.5 scfm to spare" in one.message
    rest = re.search(r"a rest of (\d+) s", one.remedy)
    assert rest is not None
    fixed = found(("delivers: 5 scfm", "delivers: 0.9 scfm"), ("rest: 12 s", f"rest: {rest[1]} s"))
    assert not any(p.message.startswith("frozen-foreman takes") for p in fixed)


def test_a_headway_too_short_for_the_compressor_is_a_warning(found: Check) -> None:
    """The number, how long the tank lasts, and the headway that the compressor keeps up with."""
    problems = found(("delivers: 5 scfm", "delivers: 1.2 scfm"))
    one = next(p for p in problems if "with a group every 45 s" in p.message)
    assert "the site takes 1.75 scfm, and the compressor gives 1.2 scfm at 95 psi" in one.message
    assert "the tank lasts 15 min" in one.message
    headway = re.search(r"a headway of (\d+) s", one.remedy)
    assert headway is not None
    fixed = found(
        ("delivers: 5 scfm", "delivers: 1.2 scfm"), ("headway: 45 s", f"headway: {headway[1]} s")
    )
    assert not any("with a group every" in p.message for p in fixed)


def test_a_tank_too_small_for_one_group_is_a_warning(found: Check) -> None:
    """All props once take 1.01 scf: of 2 gal that is far too much."""
    problems = found(("volume: 30 gal", "volume: 2 gal"))
    one = next(p for p in problems if p.message.startswith("all props once"))
    assert "take 1.01 scf" in one.message
    assert "ice-house-door needs 65 psi" in one.message
    assert "a tank of 5 gal" in one.remedy


def test_sizes_are_written_as_they_are_sold() -> None:
    """Fractions of an inch; the next bore is never smaller than asked."""
    assert [inches(x) for x in (0.75, 1.0625, 2, 1.3)] == ["3/4 in", "1-1/16 in", "2 in", "1.3 in"]
    assert next_size(0.76, BORES_IN) == 0.875
    assert next_size(0.75, BORES_IN) == 0.75
    assert next_size(80, BORES_IN) is None


def test_every_broken_example_stays_as_it_was_found() -> None:
    """Physics neither stumbles over files that are broken otherwise nor adds to their findings."""
    folder = Path(__file__).parents[1] / "site" / "broken"
    for path in sorted(folder.glob("*.yaml")):
        plain = check(path)
        assert [p for p in check(path, CHECKS) if p not in plain] == [], path.name
