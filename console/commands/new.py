"""`sexton new`: write a commented site file to start from."""

from __future__ import annotations

import argparse
from pathlib import Path

_EPILOG = """\
example:
  sexton new my-site.yaml && sexton check my-site.yaml

The file describes one board on the bench, with a comment at every key. A file that is there already
is left as it is.\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define the command."""
    parser = subparsers.add_parser(
        "new",
        help="write a site file to start from",
        description="Write a commented site file to start from.",
        epilog=_EPILOG,
    )
    parser.add_argument("site", type=Path, metavar="SITE.yaml", help="the file to write")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write the starter, unless the file is there; raises UserError."""
    from console.errors import UserError
    from console.site.shipped import shipped

    path: Path = arguments.site
    starter = shipped("bench").read_text(encoding="utf-8")
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(starter)
    except FileExistsError:
        raise UserError(
            f"{path} is there already", "choose another name; nothing was changed"
        ) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise UserError(
            f"{path} cannot be written: {reason}", "choose a folder that is there and yours"
        ) from None
    print(f"wrote {path}; next: sexton check {path}")
    return 0
