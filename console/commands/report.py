"""`sexton report`: what a night, a range of nights or a season came to."""

from __future__ import annotations

import argparse
import sys
import textwrap
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from console.ledger.rows import NightRow
    from console.reports.gather import Report, SiteFile

_FORMATS = ("text", "md", "html", "json", "csv")
_NAME_IT = "Name it, as in `sexton report my-site.yaml`."
_EXAMPLES = """\
examples:
  sexton report                                    the newest night, on the terminal
  sexton report my-site.yaml --night 2027-10-30 --format html -o night.html
  sexton report --from 2027-10-01 --to 2027-10-31 --format md
  sexton report --season 2027 --format csv --section cycles
  sexton report --query missed                     the query behind a section

Times are the site's own, with their zone; in JSON and CSV they are UTC. Air, service due and spares
need the site file: the one named, the running engine's, or the one that the ledger's engine had.\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton report`."""
    parser = subparsers.add_parser(
        "report",
        help="what a night or a season came to",
        description="What a night, a range of nights or a season came to, from the ledger.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("site", nargs="?", type=Path, metavar="SITE.yaml", help="the site file")
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="read this ledger")
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--night", metavar="DATE", help="the local date of a night's opening, its id, or `last`"
    )
    which.add_argument("--season", type=int, metavar="YEAR", help="every night opened that year")
    parser.add_argument("--from", dest="since", metavar="DATE", help="nights from this date on")
    parser.add_argument("--to", dest="until", metavar="DATE", help="nights up to this date")
    parser.add_argument("--format", choices=_FORMATS, default="text", help="(default: text)")
    parser.add_argument("--section", metavar="NAME", help="the section to write as CSV")
    parser.add_argument(
        "--query", metavar="SECTION", help="print this section's query, and what is made of it"
    )
    parser.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="write there instead of standard output"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Put the report together and write it."""
    from console.ledger.finding import find_ledger
    from console.ledger.opening import explaining
    from console.ledger.reader import Reader
    from console.reports.gather import gather, traced
    from console.reports.sections import BY_ID

    section = _section(args)
    ledger = find_ledger(args.ledger, args.site)
    with explaining(ledger), Reader.open(ledger) as reader:
        nights = _chosen(reader.nights(), args)
    ids = tuple(night.night_id for night in nights)
    if args.query:
        print(traced(BY_ID[args.query], ids))
        if how := BY_ID[args.query].how:
            print("\n".join(f"-- {line}" for line in textwrap.wrap(how, 90)))
        return 0
    of = _site(args.site, ledger)
    name = of.site.name if of.site else ""
    report = gather(ledger, ids, _title(name, nights, args), time.time_ns(), of)
    _write(_writer(args.format, section)(report), args.output, ledger)
    return 0


def _writer(form: str, section: str) -> Callable[[Report], str]:
    from console.reports import data, page, plain

    writers: dict[str, Callable[[Report], str]] = {
        "text": plain.as_text,
        "md": plain.as_markdown,
        "html": page.as_html,
        "json": data.as_json,
        "csv": lambda report: data.as_csv(report, section),
    }
    return writers[form]


def _section(args: argparse.Namespace) -> str:
    """The section meant for CSV; complains of names that are none."""
    from console.errors import UserError
    from console.reports.sections import BY_ID

    for given in (args.section, args.query):
        if given and given not in BY_ID:
            raise UserError(f"a report has no section {given}", f"It has {', '.join(BY_ID)}.")
    if args.section and args.format != "csv":
        raise UserError("--section goes with --format csv", "Other formats hold every section.")
    return args.section or "cycles"


def _chosen(nights: list[NightRow], args: argparse.Namespace) -> list[NightRow]:
    from console.errors import UserError

    if not nights:
        raise UserError(
            "the ledger has no night yet",
            "`sexton log --night none` shows what came outside of nights.",
        )
    since, until = _day(args.since), _day(args.until)
    if since or until:
        if args.night or args.season is not None:
            raise UserError(
                "--from and --to go alone", "Leave out --night and --season, or these two."
            )
        found = [n for n in nights if (since or n.date) <= n.date <= (until or n.date)]
        asked = f"from {since or 'the first'} to {until or 'the last'}"
    elif args.season is not None:
        found = [n for n in nights if n.date.startswith(f"{args.season:04d}-")]
        asked = f"in {args.season}"
    elif args.night in (None, "last"):
        return nights[-1:]
    else:
        found = [n for n in nights if args.night in (n.date, str(n.night_id))]
        asked = args.night
    if not found:
        newest = ", ".join(dict.fromkeys(n.date for n in nights[-5:]))
        raise UserError(f"the ledger has no night {asked}", f"The newest are {newest}.")
    return found


def _day(text: str | None) -> str | None:
    from console.errors import UserError

    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise UserError(f"{text!r} is no date", "Write it as 2027-10-30.") from None


def _site(given: Path | None, ledger: Path) -> SiteFile:
    """The site file named; else the one that an engine runs, or ran last, with this ledger."""
    from console.errors import UserError
    from console.reports.gather import SiteFile
    from console.site.loading import load

    if given is not None:
        return SiteFile(given, load(given))
    path = _engines_site(ledger)
    if path is None:
        return SiteFile(why=f"Not told: no site file is known to belong to the ledger. {_NAME_IT}")
    try:
        return SiteFile(path, load(path))
    except UserError:
        return SiteFile(why=f"Not told: the site file {path} cannot be used any more. {_NAME_IT}")


def _engines_site(ledger: Path) -> Path | None:
    from console.launch import running
    from console.ledger.reader import Reader
    from console.places import engine_folders

    for folder in engine_folders():
        found = running(folder)
        if found is not None and Path(found.ledger).resolve() == ledger.resolve():
            return Path(found.site)
    with Reader.open(ledger) as reader:
        return reader.site_file()


def _title(name: str, nights: list[NightRow], args: argparse.Namespace) -> str:
    first, last = nights[0].date, nights[-1].date
    span = f"night of {first}" if first == last else f"nights from {first} to {last}"
    if args.season is not None:
        span = f"season {args.season}, {span}"
    return f"{name}: {span}" if name else span.capitalize()


def _write(text: str, target: Path | None, ledger: Path) -> None:
    from console.errors import UserError

    if target is None:
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        return
    if target.exists() and (not target.is_file() or target.samefile(ledger)):
        raise UserError(f"{target} cannot be written over", "Name another file with -o.")
    try:
        target.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UserError(
            f"{target} cannot be written: {error.strerror}", "Name another file with -o."
        ) from None
