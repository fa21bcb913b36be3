"""`sexton salvage`: save what can be saved of a damaged ledger."""

from __future__ import annotations

import argparse
import time
from pathlib import Path


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton salvage`."""
    parser = subparsers.add_parser(
        "salvage",
        help="save what can be saved of a damaged ledger",
        description="Copy what can be read of a damaged ledger into a new one. The damaged file is "
        "not touched. Cycles that are lost become gaps, so the counts still add up.",
        epilog="example:\n  sexton salvage my-site.ledger -o saved.ledger",
    )
    parser.add_argument("damaged", type=Path, metavar="LEDGER")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", required=True)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Save, and say how much."""
    from console.ledger.salvage import salvage

    saved = salvage(args.damaged, args.output, time.time_ns())
    print(f"{args.output}: saved " + ", ".join(f"{n} {t}" for t, n in saved.rows.items() if n))
    print(
        f"{saved.unreadable} places could not be read; "
        f"{saved.missing_cycles} cycles are known to be missing"
    )
    return 0
