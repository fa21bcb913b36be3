"""`sexton whatif`: another cylinder, valve, hose or pressure, before and after side by side."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from console.errors import UserError

if TYPE_CHECKING:
    from console.rules.physics.changing import Side
    from console.site.models import Motion, Prop, Site

_OPTIONS = (
    ("bore", "LENGTH", "bore of the cylinder"),
    ("stroke", "LENGTH", "its stroke"),
    ("rod", "LENGTH", "its rod"),
    ("count", "N", "how many cylinders hang on the valve"),
    ("load", "FORCE", "force against the rod"),
    ("assist", "FORCE", "spring or weight that helps it out"),
    ("spring", "FORCE", "return spring at full stroke"),
    ("moving", "WEIGHT", "what is set in motion"),
    ("pressure", "PRESSURE", "set pressure of the prop"),
    ("cv", "CV", "flow coefficient of the valve, both ways"),
    ("exhaust-cv", "CV", "flow coefficient of its exhaust alone"),
    ("flow-control-cv", "CV", "flow coefficient of a flow control"),
    ("hose-length", "LENGTH", "hose from valve to cylinder"),
    ("hose-inside", "LENGTH", "inner diameter of the hose"),
)

_EPILOG = """\
examples:
  sexton whatif --site my-site.yaml hatch.swing --bore 0.75in
  sexton whatif frozen-foreman.reach --bore 3/4in --pressure 75psi --json

Without --site it asks about the site of the engine that is running. Nothing is changed, neither in
the file nor at the prop. With --json: an object with motion, changed, before and after.

exit codes: 0 the motion would do, 1 its force margin would be too small or it would not arrive,
2 the command line or the site file is wrong, 3 no engine is running and no --site was given\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define the command."""
    parser = subparsers.add_parser(
        "whatif",
        help="see what another cylinder, valve, hose or pressure would do",
        description="Force, margin, time and air of a motion with another part, before and after.",
        epilog=_EPILOG,
    )
    parser.add_argument("motion", metavar="PROP.MOTION", help="the motion, such as hatch.swing")
    parser.add_argument("--site", metavar="SITE.yaml", help="the site file")
    for name, metavar, says in _OPTIONS:
        parser.add_argument(f"--{name}", metavar=metavar, help=says)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print both sides; 1 where the new one would not do."""
    from console.figures.inputs import FigureError
    from console.rules.physics.changing import CannotChange, changed, side
    from console.site.loading import load

    values = _values(arguments)
    site = load(_site_file(arguments.site))
    prop, motion = _motion(site, arguments.motion)
    try:
        before = side(prop, motion)
        after = side(*changed(site, prop, motion, values))
    except (CannotChange, FigureError) as error:
        raise UserError(
            f"{prop.name}.{motion.name}: {error}", "sexton whatif --help lists what can be changed."
        ) from None
    fails = bool(after.stuck) or (after.margin is not None and after.margin < after.needed)
    if arguments.json:
        print(
            json.dumps(
                {
                    "motion": f"{prop.name}.{motion.name}",
                    "changed": {n: getattr(arguments, n.replace("-", "_")) for n in values},
                    "before": asdict(before),
                    "after": asdict(after),
                }
            )
        )
    else:
        print(_table(prop, motion, before, after))
    return 1 if fails else 0


def _values(arguments: argparse.Namespace) -> dict[str, float]:
    from console.commands.calc_common import given
    from console.rules.physics.changing import CHANGES

    values = {}
    for name, _, _ in _OPTIONS:
        text = getattr(arguments, name.replace("-", "_"))
        if text is None:
            continue
        unit = CHANGES[name].unit
        value = given(f"--{name}", text, unit, bare=unit == "")
        if value < 0 or (value == 0 and name not in ("load", "assist", "spring", "rod", "moving")):
            raise UserError(f"--{name} must be above 0, not {text}")
        if name == "count" and (value != round(value) or value > 8):
            raise UserError(f"--count must be a whole number from 1 to 8, not {text}")
        if name == "pressure" and value > 300:
            raise UserError(f"--pressure must be at most 300 psi, not {text}")
        values[name] = value
    if not values:
        raise UserError(
            "nothing is changed", "Say what, such as --bore 0.75in or --pressure 75psi."
        )
    return values


def _site_file(given_site: str | None) -> Path:
    from console.launch import find_engine

    return Path(given_site if given_site is not None else find_engine(None).site)


def _motion(site: Site, text: str) -> tuple[Prop, Motion]:
    from console.site.wording import near

    name, _, motion = text.partition(".")
    known = [f"{p.name}.{m.name}" for p in site.props for m in p.motions]
    try:
        prop = site.prop(name)
        if not motion and len(prop.motions) == 1:
            return prop, prop.motions[0]
        return prop, prop.motion(motion)
    except KeyError:
        raise UserError(
            f"there is no motion called {text!r}", near(text, known, f"known: {', '.join(known)}")
        ) from None


def _table(prop: Prop, motion: Motion, before: Side, after: Side) -> str:
    from console.rules.physics.sizes import inches

    rows = [
        ("bore", inches(before.bore_in), inches(after.bore_in)),
        ("pressure", f"{before.pressure_psi:g} psi", f"{after.pressure_psi:g} psi"),
        ("push", _said(before.push_lbf, ".0f", "lbf"), _said(after.push_lbf, ".0f", "lbf")),
        ("against", _said(before.net_lbf, ".0f", "lbf"), _said(after.net_lbf, ".0f", "lbf")),
        (f"margin (needs {after.needed:g})", _margin(before), _margin(after)),
        (f"out (file {motion.travel_ms} ms)", _time(before, "out"), _time(after, "out")),
        (f"back (file {motion.return_ms} ms)", _time(before, "back"), _time(after, "back")),
        (
            "arrives at",
            _said(before.end_in_per_s, ".0f", "in/s"),
            _said(after.end_in_per_s, ".0f", "in/s"),
        ),
        ("air a stroke", f"{before.stroke_scf:.4f} scf", f"{after.stroke_scf:.4f} scf"),
        (f"air a {prop.default_sequence}", f"{before.cycle_scf:.4f} scf",
         f"{after.cycle_scf:.4f} scf"),
    ]  # fmt: skip
    if before.swing_deg is not None or after.swing_deg is not None:
        rows.append(
            ("swing", _said(before.swing_deg, ".0f", "deg"), _said(after.swing_deg, ".0f", "deg"))
        )
    wide = max(len(row[0]) for row in rows)
    middle = max(len(row[1]) for row in rows)
    lines = [f"{prop.name}.{motion.name}", f"{'':<{wide}}  {'before':<{middle}}  after"]
    lines += [f"{what:<{wide}}  {old:<{middle}}  {new}" for what, old, new in rows]
    if after.stuck:
        lines.append(f"After: {after.stuck}.")
    return "\n".join(lines)


def _said(value: float | None, form: str, unit: str) -> str:
    return "not reckoned" if value is None else f"{value:{form}} {unit}"


def _margin(side: Side) -> str:
    if side.margin is None:
        return "not reckoned" if side.push_lbf is None else "no load"
    return f"{side.margin:.2f}{'' if side.margin >= side.needed else ', too little'}"


def _time(side: Side, way: str) -> str:
    if side.stuck:
        return "never arrives"
    return _said(side.out_ms if way == "out" else side.back_ms, ".0f", "ms")
