"""`sexton calc`: the figures, one at a time, for the bench and for scripts."""

from __future__ import annotations

import argparse

from console.commands import calc_air, calc_life, calc_motion

_EXAMPLES = """\
examples:
  sexton calc force --bore 1.5in --pressure 80psi
  sexton calc blocked --rate 30/h --busy 45s --json

Quantities carry their unit: 60psi, 1-1/16in, 350ms, 60/min, 80degF, 660gal. Pressures are gauge
unless the option says abs. The keys of --json do not change from version to version.\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton calc` and its figures."""
    parser = subparsers.add_parser(
        "calc",
        help="compute one figure: air, force, valves, coils, life, drift, spares",
        description="Compute one figure, with its formula and source.",
        epilog=_EXAMPLES,
    )
    figures = parser.add_subparsers(title="figures", metavar="FIGURE", required=True)
    calc_air.add(figures)
    calc_motion.add(figures)
    calc_life.add(figures)
