"""Which props want upkeep, and which are getting slow: for the engine, which asks now and then.

    python -m console.upkeep.flags SITE.yaml LEDGER

prints one JSON object with the lists `due` and `slowing`. It takes only what time others leave.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from pathlib import Path

from console.errors import UserError
from console.ledger.opening import explaining
from console.ledger.upkeep import UpkeepReader
from console.rules.upkeep import Standing
from console.site.loading import load
from console.site.models import Site
from console.upkeep.outlook import Outlook
from console.upkeep.watching import Sign, Watch


def look(site: Site, ledger: Path, now_wall_ns: int) -> dict[str, list[str]]:
    """The names of props with upkeep due, and of those with a slow motion. Raises UserError."""
    with explaining(ledger), UpkeepReader.open(ledger) as reader:
        outlook = Outlook(site, reader, now_wall_ns)
        due = {d.fitting.prop for d in outlook.due() if d.standing is Standing.DUE}
        watch = Watch(outlook, reader)
        slowing = {
            prop.name
            for prop in site.props
            if any(flag.sign is Sign.SLOWING for flag in watch.flags(prop.name))
        }
    return {"due": sorted(due - {""}), "slowing": sorted(slowing)}


def main(argv: list[str]) -> int:
    """Look once and print."""
    with contextlib.suppress(OSError):
        os.nice(15)
    site, ledger = map(Path, argv)
    try:
        print(json.dumps(look(load(site), ledger, time.time_ns())))
    except UserError as error:
        print(f"{error.message}: {error.hint}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
