"""`sexton run`: a site's engine, started when needed, and a console on it."""

from __future__ import annotations

import argparse
from pathlib import Path

_EPILOG = """\
Closing the console leaves the engine running, and with it the night. An engine started here ends
ten minutes after its last console when no night is open. Should it die, it is started again, with
everything disarmed, as long as this console is open.

exit codes: 0 done, 2 the site file or the command line is wrong

example:
  sexton run my-site.yaml\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton run`."""
    parser = subparsers.add_parser(
        "run",
        help="run a site: start its engine when needed, open a console",
        description="Run a site: start its engine when none is running, and open a console on it.",
        epilog=_EPILOG,
    )
    parser.add_argument("site", type=Path, metavar="SITE.yaml", help="the site file")
    parser.add_argument(
        "--ledger", type=Path, metavar="PATH", help="keep the records there (default: user's data)"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Check the site, have an engine, open a console; its exit code."""
    from console.errors import UserError
    from console.launch import Keeper, log_file, need_terminal, open_console, python, running
    from console.places import engine_folder, slug_of
    from console.site.loading import load

    load(arguments.site)
    need_terminal()
    site, slug = arguments.site.resolve(), slug_of(arguments.site)
    folder = engine_folder(slug)
    command = [*python("console.cli", "engine", str(site)), "--auto"]
    if arguments.ledger is not None:
        ledger = arguments.ledger.resolve()
        alive = running(folder)
        if alive is not None and alive.ledger != str(ledger):
            raise UserError(
                f"the engine of {site} is running already, with the ledger {alive.ledger}",
                "Leave --ledger away, or end that engine first.",
            )
        command += ["--ledger", str(ledger)]
    keeper = Keeper(folder, command, log_file(slug))
    keeper.ensure()
    code = open_console(folder, keeper.tend)
    if running(folder) is not None:
        print(f"The engine goes on. `sexton attach {arguments.site}` opens a console again.")
    return code
