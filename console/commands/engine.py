"""`sexton engine`: a site's engine in the foreground, without a console."""

from __future__ import annotations

import argparse
from pathlib import Path


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton engine`."""
    parser = subparsers.add_parser(
        "engine",
        help="run a site's engine in the foreground, without a console",
        description=(
            "Run a site's engine: it owns the serial lines and the ledger, and has no screen.\n"
            "Ctrl+C or SIGTERM ends it in order: everything disarmed, the ledger closed. A lost\n"
            "terminal does not end it."
        ),
        epilog=(
            "exit codes: 0 ended in order, 2 the site file, the ledger or a line keeps it down\n\n"
            "examples:\n"
            "  sexton engine my-site.yaml\n"
            "  sexton engine my-site.yaml --ledger /srv/records/my-site.ledger"
        ),
    )
    parser.add_argument("site", type=Path, metavar="SITE.yaml", help="the site file")
    parser.add_argument(
        "--ledger", type=Path, metavar="PATH", help="keep the records there (default: user's data)"
    )
    parser.add_argument(
        "--ports",
        type=Path,
        metavar="FOLDER",
        help="instead of real ports use the pseudo-terminals FOLDER/LINE, and no other",
    )
    parser.add_argument(
        "--auto",
        action="store_true",
        help="end ten minutes after the last console when no night is open",
    )
    parser.add_argument("--demo", action="store_true", help=argparse.SUPPRESS)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the engine; its exit code."""
    from console.engine.run import run_engine

    return run_engine(
        arguments.site,
        arguments.ledger,
        demo=arguments.demo,
        ports=arguments.ports,
        auto=arguments.auto,
    )
