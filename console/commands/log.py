"""`sexton log`: look things up in a ledger, also while an engine is writing it."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any

    from console.ledger.reader import Reader
    from console.ledger.rows import Filter

_TABLE_ROWS = 50

_EXAMPLES = """\
examples:
  sexton log my-site.yaml                          the newest cycles
  sexton log my-site.yaml --night last --prop lid  what the lid did in the newest night
  sexton log --show nights                         all nights with their counts
  sexton log --night 2026-10-31 --csv -o night.csv
  sexton log --show missed --night last --json | jq 'length'

Times in the table are local, with their offset from UTC; times in CSV and JSON are UTC.\
"""

_COLUMNS: dict[str, dict[str, str]] = {
    "cycles": {
        "date": "night",
        "started_ns": "started",
        "prop": "prop",
        "number": "number",
        "sequence": "sequence",
        "trigger": "trigger",
        "outcome": "outcome",
        "duration_ms": "ms",
        "travels": "travel ms",
    },
    "missed": {
        "date": "night",
        "wall_ns": "when",
        "prop": "prop",
        "source": "trigger",
        "reason": "reason",
    },
    "events": {
        "date": "night",
        "wall_ns": "when",
        "kind": "kind",
        "subject": "subject",
        "by": "by",
        "detail": "detail",
    },
    "nights": {
        "night_id": "id",
        "date": "night",
        "opened_ns": "opened",
        "opened_by": "by",
        "closed_ns": "closed",
        "closed_by": "by",
        "cycles": "cycles",
        "missed": "missed",
    },
    "gaps": {
        "board": "board",
        "prop_index": "prop",
        "prop": "name",
        "first": "first",
        "last": "last",
        "reason": "reason",
        "noticed_ns": "noticed",
    },
    "service": {
        "wall_ns": "when",
        "part": "part",
        "prop": "prop",
        "motion": "motion",
        "kind": "kind",
        "by": "by",
        "prop_cycles": "cycles",
        "strokes": "strokes",
        "note": "note",
    },
}


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton log`."""
    parser = subparsers.add_parser(
        "log",
        help="read the ledger",
        description="Look things up in a ledger, also while an engine is writing it.",
        epilog=_EXAMPLES,
    )
    parser.add_argument(
        "site",
        nargs="?",
        type=Path,
        metavar="SITE.yaml",
        help="whose ledger; without it that of the running engine, or the only one there is",
    )
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="read this ledger")
    parser.add_argument(
        "--show",
        choices=tuple(_COLUMNS),
        default="cycles",
        help="what to list (default: cycles); gaps are cycles known to be missing",
    )
    parser.add_argument(
        "--night",
        metavar="NIGHT",
        help="the local date of a night's opening (2026-10-31), its id, `last`, or `none` for "
        "what came between nights",
    )
    parser.add_argument("--prop", metavar="NAME", help="only this prop")
    parser.add_argument("--outcome", metavar="WORD", help="only cycles that ended so")
    parser.add_argument(
        "--last",
        type=_count,
        metavar="N",
        help=f"only the newest N; 0 for all (a table shows {_TABLE_ROWS} unless told otherwise)",
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="an array of objects")
    form.add_argument("--csv", action="store_true", help="comma-separated values with a header")
    parser.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="write there instead of standard output"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print what was asked for."""
    from console.ledger.opening import explaining
    from console.ledger.reader import Reader

    path = _ledger_path(args)
    with explaining(path), Reader.open(path) as reader, _output(args.output, path) as out:
        _print(reader, args, out)
    return 0


def _print(reader: Reader, args: argparse.Namespace, out: TextIO) -> None:
    from console.ledger import export, rows

    row_types = {
        "cycles": rows.CycleRow,
        "missed": rows.MissedRow,
        "events": rows.EventRow,
        "nights": rows.NightRow,
        "gaps": rows.GapRow,
        "service": rows.ServiceRow,
    }
    as_table = not (args.json or args.csv)
    last = args.last if args.last is not None else (_TABLE_ROWS if as_table else 0)
    found = _find(reader, args, last)
    if args.json:
        export.write_json(found, out)
    elif args.csv:
        export.write_csv(found, row_types[args.show], out)
    else:
        count = export.write_table(found, _COLUMNS[args.show], out)
        if last and count == last and args.last is None:
            print(f"the newest {count}; --last 0 shows all", file=sys.stderr)
        elif count == 0:
            print("nothing found", file=sys.stderr)


def _find(reader: Reader, args: argparse.Namespace, last: int) -> Iterable[Any]:
    wanted = _filter(reader, args, last)
    if args.show == "cycles":
        return reader.cycles(wanted)
    if args.show == "missed":
        return reader.missed(wanted)
    if args.show == "events":
        return reader.events(wanted)
    listed: list[Any]
    if args.show == "nights":
        listed = [
            n for n in reader.nights() if wanted.nights is None or n.night_id in wanted.nights
        ]
    elif args.show == "gaps":
        listed = [gap for gap in reader.gaps() if wanted.prop in (None, gap.prop)]
    else:
        listed = reader.service(prop=wanted.prop)
    return listed[-last:] if last else listed


def _filter(reader: Reader, args: argparse.Namespace, last: int) -> Filter:
    from console.errors import UserError
    from console.ledger.rows import Filter

    if args.outcome and args.show != "cycles":
        raise UserError("--outcome goes with cycles only", "Leave it out, or --show cycles.")
    if args.prop:
        _known("prop", args.prop, reader.props())
    if args.outcome:
        _known("outcome", args.outcome, reader.outcomes())
    return Filter(
        nights=_nights(reader, args.night) if args.night else None,
        prop=args.prop,
        outcome=args.outcome,
        newest=last or None,
    )


def _nights(reader: Reader, asked: str) -> tuple[int, ...]:
    """The ids of the nights that are meant; a date may have several."""
    from console.errors import UserError

    if asked == "none":
        return (0,)
    nights = reader.nights()
    if asked == "last":
        found = tuple(night.night_id for night in nights[-1:])
    else:
        found = tuple(n.night_id for n in nights if asked in (n.date, str(n.night_id)))
    if not found:
        dates = ", ".join(dict.fromkeys(night.date for night in nights[-5:]))
        raise UserError(
            f"the ledger has no night {asked}",
            f"The newest are {dates}. `sexton log --show nights` lists all."
            if dates
            else "No night was opened yet; --night none shows what came outside of nights.",
        )
    return found


def _known(kind: str, name: str, names: list[str]) -> None:
    """Raise UserError for a name that the ledger never heard of."""
    from difflib import get_close_matches

    from console.errors import UserError

    if name in names:
        return
    near = get_close_matches(name, names, n=1)
    listed = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    raise UserError(
        f"the ledger has no {kind} {name}",
        f"Did you mean {near[0]}?" if near else f"It has {listed or 'none yet'}.",
    )


def _ledger_path(args: argparse.Namespace) -> Path:
    from console.ledger.finding import find_ledger

    return find_ledger(args.ledger, args.site)


@contextlib.contextmanager
def _output(target: Path | None, ledger: Path) -> Iterator[TextIO]:
    """Standard output, or a file that appears whole or not at all."""
    from console.errors import UserError

    if target is None:
        yield sys.stdout
        return
    if target.exists() and (not target.is_file() or target.samefile(ledger)):
        what = "the ledger itself" if target.is_file() else "no ordinary file"
        raise UserError(f"{target} is {what}", "Name another file with -o.")
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        # CSV brings its own line ends.
        with draft.open("w", encoding="utf-8", newline="") as out:
            yield out
        draft.replace(target)
    except OSError as error:
        raise UserError(
            f"{target} cannot be written: {error.strerror}", "Name another file with -o."
        ) from None
    finally:
        draft.unlink(missing_ok=True)


def _count(word: str) -> int:
    if not word.isdecimal():
        raise argparse.ArgumentTypeError(f"{word!r} is no number of rows")
    return int(word)
