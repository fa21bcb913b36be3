"""`sexton attach`: one more console on a running engine."""

from __future__ import annotations

import argparse

_EPILOG = """\
Several consoles may be open at once, also over SSH. Closing one disturbs nobody.

exit codes: 0 done, 2 several engines are running or there is no terminal, 3 no engine is running

examples:
  sexton attach                  the only engine that is running, a demo too
  sexton attach my-site.yaml\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton attach`."""
    parser = subparsers.add_parser(
        "attach",
        help="open one more console on a running engine",
        description="Open one more console on a running engine.",
        epilog=_EPILOG,
    )
    parser.add_argument(
        "site", nargs="?", metavar="SITE", help="a site file, or the name of its engine's folder"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Find the engine and open a console; its exit code."""
    from console.launch import find_engine, need_terminal, open_console

    engine = find_engine(arguments.site)
    need_terminal()
    return open_console(engine.folder)
