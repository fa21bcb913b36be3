"""What all of `sexton upkeep` shares: which site, which ledger, and tables."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from console.errors import NoEngine, UserError
from console.ledger.finding import find_ledger
from console.ledger.lookback import LookBack
from console.ledger.opening import explaining
from console.ledger.upkeep import NightSpan, UpkeepReader
from console.site.loading import load
from console.upkeep.outlook import Outlook

if TYPE_CHECKING:
    from console.launch import Running


@dataclass(frozen=True, slots=True)
class Meant:
    """The site file and the ledger that are meant, and the engine that runs them, if one does."""

    site: Path
    ledger: Path
    engine: Running | None


def meant(arguments: argparse.Namespace) -> Meant:
    """What a command line means. Raises UserError where it does not tell."""
    from console.launch import find_engine

    engine = None
    try:
        engine = find_engine(str(arguments.site) if arguments.site else None)
    except NoEngine:
        if arguments.site is None:
            raise UserError(
                "no engine is running, so the site must be named",
                "Name the site file, such as `sexton upkeep due my-site.yaml` or `--site`.",
            ) from None
    site = arguments.site or Path(engine.site if engine else "")
    ledger = arguments.ledger or (Path(engine.ledger) if engine else find_ledger(site=site))
    if engine is not None and ledger.resolve() != Path(engine.ledger).resolve():
        engine = None
    return Meant(site, ledger, engine)


@contextmanager
def looking(where: Meant, night: str | None = None) -> Iterator[tuple[Outlook, UpkeepReader]]:
    """The outlook of a site and the reader it came from, now or as of the end of a night.

    A night is named by date, by id, or as `last`. Raises UserError.
    """
    site = load(where.site)
    with explaining(where.ledger), UpkeepReader.open(where.ledger) as reader:
        if night is None:
            yield Outlook(site, reader, time.time_ns()), reader
            return
        night_id = _night_id(reader.night_spans(), night)
    with explaining(where.ledger), LookBack.open_at(where.ledger, night_id) as past:
        yield Outlook(site, past, past.ended_ns), past


def _night_id(nights: Sequence[NightSpan], asked: str) -> int:
    meant = [n for n in nights if asked in (n.date, str(n.night_id), "last")]
    if not meant:
        newest = ", ".join(dict.fromkeys(n.date for n in nights[-5:])) or "none"
        raise UserError(f"the ledger has no night {asked}", f"The newest are {newest}.")
    return meant[-1].night_id


def print_table(heading: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Columns as wide as they need to be, two spaces apart."""
    widths = [max(len(row[i]) for row in (heading, *rows)) for i in range(len(heading))]
    for row in (heading, *rows):
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        print("  ".join(cells).rstrip())
