"""`sexton upkeep`: what wears, what is due, what to bring, and writing down what was done."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

Parsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

_EXAMPLES = """\
examples:
  sexton upkeep due my-site.yaml                 what is due, soonest first
  sexton upkeep done stoker/straighten/cylinder:oil-cylinders --by Ines
  sexton upkeep done stoker/straighten/valve --replaced --by Ines --note "coil burnt out"
  sexton upkeep part stoker/straighten/valve     its life, its history, its travel times
  sexton upkeep spares --nights 4                what to bring for the next four nights
  sexton upkeep drift --json | jq '.flags'       what is getting slow

A part is named by prop, motion and name; its end is enough where that tells. The site file is that
of the running engine unless named. What is written goes through the engine while one runs.

`sexton upkeep COMMAND --help` says more about each.\
"""

_PART = "a part as prop/motion/name, or the end of that where it tells"


def add(subparsers: Parsers) -> None:
    """Define `sexton upkeep` and all below it."""
    parser = subparsers.add_parser(
        "upkeep",
        help="what wears, what is due, what to bring",
        description="What wears, what is due, what to bring, and writing down what was done.",
        epilog=_EXAMPLES,
    )
    below = parser.add_subparsers(title="commands", metavar="COMMAND", dest="upkeep", required=True)
    _add_looks(below)
    _add_work(below)


def _add_looks(below: Parsers) -> None:
    due = _look(below, "due", "what is due, soonest first", _lazily("due"))
    due.add_argument("--all", action="store_true", help="also what nothing makes due")
    due.add_argument("--prop", metavar="NAME", help="only this prop")
    due.epilog = (
        "examples:\n"
        "  sexton upkeep due my-site.yaml --json | jq '.[].id'\n"
        "  sexton upkeep due my-site.yaml --night 2027-10-30"
    )
    ahead = _look(
        below, "forecast", "when each limit will be reached, and how sure", _lazily("forecast")
    )
    ahead.add_argument("--prop", metavar="NAME", help="only this prop")
    ahead.epilog = "example:\n  sexton upkeep forecast my-site.yaml"
    stock = _look(below, "spares", "how many of each kind to bring", _lazily("spares"))
    stock.add_argument("--nights", type=_count, metavar="N", help="nights ahead (default: all)")
    stock.add_argument(
        "--confidence",
        type=_share,
        default=0.95,
        metavar="SHARE",
        help="chance that they are enough, for each kind (default: 0.95)",
    )
    stock.epilog = "example:\n  sexton upkeep spares my-site.yaml --nights 4 --confidence 0.98"
    for each in (due, ahead, stock):
        each.add_argument(
            "--night", metavar="DATE", help="as things stood when this night, or `last`, had ended"
        )
    drift = _look(
        below, "drift", "which motions are getting slow, and what else gets worse", _lazily("drift")
    )
    drift.add_argument("--prop", metavar="NAME", help="only this prop")
    drift.add_argument("--all", action="store_true", help="list every motion, slow or not")
    drift.epilog = "example:\n  sexton upkeep drift my-site.yaml --prop stoker --all"
    page = _look(below, "part", "one part: life, upkeep, history", _lazily("part"), part=True)
    page.epilog = "example:\n  sexton upkeep part stoker/straighten/valve"
    dates = _look(
        below, "calendar", "what is due as a calendar file", _lazily("calendar"), json=False
    )
    dates.add_argument("-o", "--output", type=Path, metavar="FILE", help="default: standard output")
    dates.epilog = "example:\n  sexton upkeep calendar my-site.yaml -o upkeep.ics"


def _add_work(below: Parsers) -> None:
    done = _write(below, "done", "write down a service or a replacement", _lazily_work("done"))
    done.add_argument("part", metavar="PART[:TASK]", help=_PART + "; TASK says which upkeep of it")
    how = done.add_mutually_exclusive_group()
    how.add_argument("--replaced", action="store_true", help="worn out: a new one took its place")
    how.add_argument("--renewed", action="store_true", help="still good: replaced as a precaution")
    done.add_argument("--all", action="store_true", help="every upkeep of the part was done")
    _details(done)
    done.epilog = (
        "examples:\n"
        "  sexton upkeep done drain-tank --by Ines\n"
        "  sexton upkeep done straighten/cylinder:oil-cylinders --by Ines --when 2027-10-09\n"
        "  sexton upkeep done lurch/valve --replaced --by Ines --note 'spool worn'"
    )
    read = _write(below, "read", "write down a reading, nothing was done", _lazily_work("read"))
    read.add_argument("part", metavar="PART", help=_PART + ", or `weather`")
    read.add_argument("reading", nargs="+", metavar="NAME=VALUE", help="such as hours=412.5")
    read.add_argument("--note", default="", help="in one line")
    read.add_argument("--when", metavar="WHEN", help="a date, or date and time (default: now)")
    read.epilog = (
        "examples:\n"
        "  sexton upkeep read compressor hours=412.5 --by Ines\n"
        "  sexton upkeep read weather damp=1 temp_degf=41 --by Ines"
    )
    swap = _write(
        below, "swap", "two parts changed places; each keeps its life", _lazily_work("swap")
    )
    swap.add_argument("part", metavar="PART", help=_PART)
    swap.add_argument("other", metavar="OTHER", help="the part that it changed places with")
    swap.add_argument("--note", default="", help="in one line")
    swap.add_argument("--when", metavar="WHEN", help="a date, or date and time (default: now)")
    swap.epilog = "example:\n  sexton upkeep swap lurch/valve tip/valve --by Ines"
    undo = _write(
        below, "undo", "take back an entry of the last minute", _lazily_work("undo"), by=False
    )
    undo.add_argument("entry", type=_count, nargs="?", help="its number (default: the newest)")
    undo.add_argument("--by", metavar="NAME", help="who (default: whoever made the entry)")
    undo.epilog = "example:\n  sexton upkeep undo"
    correct = _write(
        below, "correct", "put an entry right, both stay on record", _lazily_work("correct")
    )
    correct.add_argument("entry", type=_count, help="its number; `sexton upkeep part` shows it")
    correct.add_argument("--void", action="store_true", help="it did not happen")
    correct.add_argument("--part", metavar="PART[:TASK]", help="it was this part")
    correct.add_argument(
        "--kind", choices=("service", "replaced", "renewed", "reading"), help="it was this"
    )
    correct.add_argument("--reading", action="append", metavar="NAME=VALUE", help="it read this")
    correct.add_argument("--when", metavar="WHEN", help="it was done then")
    correct.add_argument("--note", required=True, help="why it is corrected, in one line")
    correct.epilog = (
        "examples:\n"
        "  sexton upkeep correct 1204 --void --by Ines --note 'it was the other prop'\n"
        "  sexton upkeep correct 1204 --when '2027-10-08 23:30' --by Ines --note 'noted a day late'"
    )


def _look(
    below: Parsers,
    name: str,
    summary: str,
    run: Callable[[argparse.Namespace], int],
    *,
    part: bool = False,
    json: bool = True,
) -> argparse.ArgumentParser:
    parser = _parser(below, name, summary, run)
    if part:
        parser.add_argument("part", metavar="PART", help=_PART)
        parser.add_argument("--site", type=Path, metavar="SITE.yaml", help="the site file")
    else:
        parser.add_argument("site", type=Path, nargs="?", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="read this ledger")
    if json:
        parser.add_argument("--json", action="store_true", help="print it as JSON")
    return parser


def _write(
    below: Parsers,
    name: str,
    summary: str,
    run: Callable[[argparse.Namespace], int],
    *,
    by: bool = True,
) -> argparse.ArgumentParser:
    parser = _parser(below, name, summary, run)
    if by:
        parser.add_argument("--by", required=True, metavar="NAME", help="who")
    parser.add_argument("--site", type=Path, metavar="SITE.yaml", help="the site file")
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="the ledger to write to")
    parser.add_argument("--json", action="store_true", help="print the entry as JSON")
    return parser


def _parser(
    below: Parsers, name: str, summary: str, run: Callable[[argparse.Namespace], int]
) -> argparse.ArgumentParser:
    parser = below.add_parser(
        name, help=summary, description=summary[0].upper() + summary[1:] + "."
    )
    parser.set_defaults(run=run)
    return parser


def _details(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--note", default="", help="in one line")
    parser.add_argument("--when", metavar="WHEN", help="a date, or date and time (default: now)")
    parser.add_argument(
        "--reading", action="append", metavar="NAME=VALUE", help="what was read off"
    )


def _lazily(name: str) -> Callable[[argparse.Namespace], int]:
    def run(arguments: argparse.Namespace) -> int:
        from console.commands import upkeep_look

        return upkeep_look.LOOKS[name](arguments)

    return run


def _lazily_work(name: str) -> Callable[[argparse.Namespace], int]:
    def run(arguments: argparse.Namespace) -> int:
        from console.commands import upkeep_work

        return upkeep_work.WORK[name](arguments)

    return run


def _count(word: str) -> int:
    if not word.isdecimal() or int(word) < 1:
        raise argparse.ArgumentTypeError(f"{word!r} is no whole number above 0")
    return int(word)


def _share(word: str) -> float:
    try:
        share = float(word)
    except ValueError:
        share = 0.0
    if not 0 < share < 1:
        raise argparse.ArgumentTypeError(f"{word!r} does not lie between 0 and 1")
    return share
