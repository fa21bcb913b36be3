"""`sexton air`: the air left for the next groups, and the guided leak test."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from console.errors import NoEngine, UserError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from console.launch import Running

_EPILOG = """\
examples:
  sexton air                                 what the running engine predicts
  sexton air --json | jq .minutes_left
  sexton air --site my-site.yaml             without an engine: demand against compressor and tank
  sexton air leak-test                       guided, by gauge and watch
  sexton air leak-test --watch               guided, the tank's sensor reads the pressure
  sexton air leak-test --from 110psi --to 96psi --time 15min --by Ada
  sexton air leak-test --list                all tests in the ledger

A leak under 10 % of the compressor is well kept, 20 % and more poorly. Each test is kept in the
ledger. With --json: one object; --list a list of objects.

exit codes: 0 done, 1 the leak is 20 % or more, or the engine refused to keep the test,
2 the command line or a file is wrong, 3 no engine is running\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define the command."""
    parser = subparsers.add_parser(
        "air",
        help="see the air left, and test for leaks",
        description="See how much air is left for the next groups, and test the tank for leaks.",
        epilog=_EPILOG,
    )
    parser.add_argument("--site", metavar="SITE.yaml", help="a site file (default: the engine's)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(run=run)
    kinds = parser.add_subparsers(metavar="leak-test")
    test = kinds.add_parser(
        "leak-test",
        help="test the tank for leaks, step by step",
        description="Test the tank for leaks: close, watch, read two pressures and a time.",
        epilog=_EPILOG,
    )
    test.add_argument("--site", metavar="SITE.yaml", default=argparse.SUPPRESS, help="a site file")
    test.add_argument("--ledger", type=Path, metavar="PATH", help="keep and read tests there")
    test.add_argument("--from", dest="from_", metavar="PRESSURE", help="at the beginning")
    test.add_argument("--to", metavar="PRESSURE", help="at the end")
    test.add_argument("--time", metavar="TIME", help="between the two, such as 15min")
    test.add_argument("--by", metavar="NAME", help="who did it (default: the login name)")
    test.add_argument(
        "--watch", nargs="?", const="20min", metavar="TIME",
        help="let the tank's sensor read it, for so long at most (default: 20min)",
    )  # fmt: skip
    test.add_argument("--list", action="store_true", help="list the tests in the ledger")
    test.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print JSON")
    test.set_defaults(run=leak_test)


def run(arguments: argparse.Namespace) -> int:
    """Say how the air stands, or without an engine what the site file comes to."""
    from console.launch import find_engine

    try:
        engine = find_engine(arguments.site)
    except NoEngine:
        if arguments.site is None:
            raise
        return _by_file(arguments)
    air = air_of(engine)
    if arguments.json:
        print(json.dumps(air))
    else:
        print("\n".join(said(air)))
    return 0


def leak_test(arguments: argparse.Namespace) -> int:
    """Lead through a test, keep it, say what it found."""
    from console.commands import air_test

    return air_test.run(arguments)


def air_of(engine: Running) -> Mapping[str, Any]:
    """What an engine says of the air.

    Raises NoEngine where it does not answer, UserError where it predicts nothing.
    """
    from console.commands.asking import reach
    from console.views.client import raw_snapshot

    air = reach(engine, raw_snapshot).get("air")
    if not isinstance(air, dict):
        raise UserError(
            f"the engine of {engine.site} predicts no air",
            "Give compressor and tank under `air` in the site file; an engine that started just "
            "now needs a second.",
        )
    return air


def said(air: Mapping[str, Any]) -> list[str]:
    """What a person at a shell wants to know, a line each."""
    by = "by its sensor" if air["measured_psi"] is not None else "predicted, nobody measures it"
    running = f"running for {air['running_min']:.0f} min" if air["compressor_on"] else "at rest"
    left = air["minutes_left"]
    lasts = (
        "the compressor keeps up"
        if left is None
        else "short already"
        if left <= 0
        else f"short in about {left:.0f} min at this pace"
    )
    lines = [
        f"tank        {air['psi']:.0f} psi ± {air['sigma_psi']:.0f} ({by}), "
        f"{air['cut_in_psi']:.0f} to {air['cut_out_psi']:.0f} psi is normal",
        f"compressor  {running}, gives {100 * air['strength']:.0f} % of "
        f"{air['delivers_scfm']:g} scfm",
        f"demand      {air['demand_scfm']:.1f} scfm over the last ten minutes, and a leak of "
        f"{air['leak_scfm']:.1f} scfm ± {air['leak_sigma_scfm']:.1f}",
        f"headroom    {air['groups_left']:.0f} groups from the tank alone, {lasts}",
    ]
    lines += [f"found       {text}" for text in air["findings"]]
    taken = sum(prop["taken_scf"] for prop in air["props"]) or 1.0
    for prop in sorted(air["props"], key=lambda p: -p["cycle_scf"]):
        lines.append(
            f"  {prop['name']:<24} {prop['cycle_scf']:.3f} scf a run, "
            f"{100 * prop['taken_scf'] / taken:.0f} % of what was taken"
        )
    return lines


def _by_file(arguments: argparse.Namespace) -> int:
    from console.figures.inputs import FigureError
    from console.rules.airuse import delivered_scfm, need_psi, site_use, tank_scf_per_psi
    from console.site.loading import load

    site = load(arguments.site)
    compressor, tank = site.air.compressor, site.air.tank
    if compressor is None or tank is None:
        raise UserError(f"{arguments.site} has no compressor or no tank", "Give both under `air`.")
    headway_s = (site.rules.headway_ms or 60_000) / 1000
    try:
        use = site_use(site, headway_s)
    except FigureError as error:
        raise UserError(f"{arguments.site}: {error}", "`sexton check` says where.") from None
    gives = delivered_scfm(compressor, compressor.cut_in_psi)
    floor = need_psi(site)
    held = tank_scf_per_psi(tank) * max(0.0, compressor.cut_in_psi - floor)
    groups = held / use.group_scf if use.group_scf else None
    if arguments.json:
        figures = {
            "headway_s": headway_s, "demand_scfm": use.total_scfm, "leak_scfm": use.leak_scfm,
            "compressor_scfm": gives, "group_scf": use.group_scf, "groups_from_cut_in": groups,
            "need_psi": floor, "props": {p.prop: p.scfm for p in use.props},
        }  # fmt: skip
        print(json.dumps(figures))
        return 0
    print(f"no engine is running; by the site file, with a group every {headway_s:g} s:")
    print(
        f"demand      {use.total_scfm:.2f} scfm, of it {use.leak_scfm:g} leak; the compressor "
        f"gives {gives:.1f} scfm at {compressor.cut_in_psi:g} psi"
    )
    if groups is not None:
        print(
            f"headroom    {groups:.0f} groups from {compressor.cut_in_psi:g} to {floor:g} psi "
            "with the compressor off"
        )
    for prop in use.props:
        print(f"  {prop.prop:<24} {prop.cycle_scf:.3f} scf a run, {prop.scfm:.2f} scfm")
    return 0
