"""`sexton calc` for motions and what drives them: force, swing, coil, wire, missed triggers."""

from __future__ import annotations

import argparse

from console.commands.calc_common import Answer, Row, Subparsers, add_figure, given, together

_BY_STROKE = ("--stroke", "--angle")
_BY_SIDES = ("--arm", "--base", "--length")


def add(subparsers: Subparsers) -> None:
    """Define these figures."""
    add_figure(
        subparsers,
        "force",
        "push and pull of a cylinder, friction not taken off",
        _force,
        examples=("--bore 0.75in --pressure 80psi --rod 0.25in",),
        needs=("--bore", "--pressure"),
        offers=("--rod",),
        help_for={"--rod": "rod diameter"},
    )
    add_figure(
        subparsers,
        "swing",
        "geometry of a cylinder that turns an arm",
        _swing,
        examples=("--stroke 2in --angle 90deg", "--arm 13in --base 14in --length 15in"),
        offers=(*_BY_STROKE, *_BY_SIDES),
        help_for={
            "--arm": "from the pivot to the rod's pin",
            "--base": "from the pivot to the cylinder's fixed pin",
            "--length": "of the cylinder, from pin to pin",
        },
    )
    add_figure(
        subparsers,
        "coil",
        "current of a coil",
        _coil,
        examples=("--power 4.8W --voltage 24V",),
        needs=("--power", "--voltage"),
    )
    add_figure(
        subparsers,
        "wire",
        "voltage that a pair of copper wires loses",
        _wire,
        examples=("--awg 18 --length 100ft --current 2A",),
        needs=("--awg", "--length", "--current"),
        help_for={
            "--awg": "size of the stranded wire, such as 18",
            "--length": "one way; out and back is reckoned",
        },
    )
    add_figure(
        subparsers,
        "blocked",
        "triggers that a prop misses while it runs and rests",
        _blocked,
        examples=("--rate 30/h --busy 45s",),
        needs=("--rate", "--busy"),
        help_for={
            "--rate": "groups that come, such as 30/h",
            "--busy": "from a start until it is ready again",
        },
    )


def _force(arguments: argparse.Namespace) -> Answer:
    from console.figures.cylinder import Cylinder
    from console.figures.force import forces

    rod_in = given("--rod", arguments.rod, "in") if arguments.rod else 0.0
    # The stroke has no part in the force.
    cylinder = Cylinder(given("--bore", arguments.bore, "in"), stroke_in=1.0, rod_in=rod_in)
    both = forces(cylinder, given("--pressure", arguments.pressure, "psi"))
    return Answer(
        rows=(
            Row("push_lbf", both.push_lbf, "push", "lbf"),
            Row("pull_lbf", both.pull_lbf, "pull", "lbf"),
        ),
        formula="F = p A, the rod's area taken off for the pull",
        source="identity",
    )


def _swing(arguments: argparse.Namespace) -> Answer:
    from console.figures.swing import radius_for, turn_at

    if together(arguments, _BY_STROKE, _BY_SIDES) == 0:
        radius = radius_for(
            given("--stroke", arguments.stroke, "in"), given("--angle", arguments.angle, "deg")
        )
        return Answer(
            rows=(Row("radius_in", radius, "radius", "in"),),
            formula="r = stroke / (2 sin(angle / 2)), a swing symmetric about square",
            source="chord of a circle",
        )
    turn = turn_at(
        given("--arm", arguments.arm, "in"),
        given("--base", arguments.base, "in"),
        given("--length", arguments.length, "in"),
    )
    return Answer(
        rows=(
            Row("angle_deg", turn.angle_deg, "angle at the pivot", "deg"),
            Row("moment_arm_in", turn.moment_arm_in, "moment arm", "in"),
        ),
        formula="cos(angle) = (a^2 + b^2 - c^2) / 2ab; moment arm = a b sin(angle) / c",
        source="law of cosines",
    )


def _coil(arguments: argparse.Namespace) -> Answer:
    from console.figures.coil import current_a

    current = current_a(
        given("--power", arguments.power, "W"), given("--voltage", arguments.voltage, "V")
    )
    return Answer(
        rows=(Row("current_a", current, "current", "A"),), formula="I = P / V", source="identity"
    )


def _wire(arguments: argparse.Namespace) -> Answer:
    from console.figures.coil import ohm_per_kft, wire_drop_v

    drop = wire_drop_v(
        arguments.awg,
        given("--length", arguments.length, "ft"),
        given("--current", arguments.current, "A"),
    )
    return Answer(
        rows=(Row("drop_v", drop, "drop", "V"),),
        formula=f"2 L R I / 1000, R = {ohm_per_kft(arguments.awg):.4g} ohm / 1000 ft",
        source="NEC chapter 9 table 8, stranded copper; sizes it leaves out scaled by area",
    )


def _blocked(arguments: argparse.Namespace) -> Answer:
    from console.figures.queueing import blocked

    result = blocked(given("--rate", arguments.rate, "1/h"), given("--busy", arguments.busy, "s"))
    return Answer(
        rows=(
            Row("blocked_fraction", result.blocked_fraction, "blocked"),
            Row("runs_per_hour", result.runs_per_hour, "runs", "an hour"),
        ),
        formula="A / (1 + A), A = rate x busy time",
        source="Erlang B with one server; groups at random",
    )
