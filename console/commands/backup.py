"""`sexton backup`: a copy of the ledger, also while the engine runs."""

from __future__ import annotations

import argparse
from pathlib import Path


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton backup`."""
    parser = subparsers.add_parser(
        "backup",
        help="copy the ledger, also while the engine runs",
        description="Write a consistent, checked copy of a ledger, also while its engine runs. "
        "To go back to a copy, end the engine and put the copy where the ledger was, or name it "
        "with --ledger.",
        epilog="example:\n  sexton backup my-site.yaml -o /media/stick/2027-10-30.ledger",
    )
    parser.add_argument("site", nargs="?", type=Path, metavar="SITE.yaml", help="whose ledger")
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="copy this ledger")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", required=True, help="the copy")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the copy."""
    from console.ledger.backup import back_up
    from console.ledger.finding import find_ledger

    ledger = find_ledger(args.ledger, args.site)
    size = back_up(ledger, args.output)
    print(f"{args.output}: a whole copy of {ledger}, {size / 1e6:.1f} MB")
    return 0
