"""What a demo's night came to, in the ledger and on the boards, and whether the two agree."""

from __future__ import annotations

import os
import random
import select
import time
from collections import Counter
from pathlib import Path
from typing import Any

from console.engine.compile import setup_of
from console.errors import UserError
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.site.models import Site
from drivers.line import Line
from drivers.messages import PropReport
from drivers.port import open_port
from drivers.reports import Heard
from drivers.session import Session

_ANSWER_WITHIN_S = 10.0

BoardCounters = dict[tuple[str, int, int], int]
"""The newest cycle's number by (board, life, prop index)."""


def board_counters(site: Site, ports: Path) -> BoardCounters:
    """Ask every board itself how far its props have counted, once no engine has the lines.

    Line NAME is at `ports/NAME`. Raises UserError where a board does not answer.
    """
    found: BoardCounters = {}
    for line in site.lines:
        controllers = site.controllers_of_line(line.name)
        if not controllers:
            continue
        sessions = [
            Session(
                controller.board_id,
                controller.address,
                setup_of(site, controller),
                shared=controller.shared,
                new_id=lambda: random.randrange(1, 2**32),
            )
            for controller in controllers
        ]
        wanted = sum(len(site.props_of_controller(c.name)) for c in controllers)
        counters = _ask_line(Line(sessions), ports / line.name, wanted)
        if len(counters) < wanted:
            raise UserError(f"a board on line {line.name} does not say what it has counted")
        found |= counters
    return found


def _ask_line(line: Line, port: Path, wanted: int) -> BoardCounters:
    found: BoardCounters = {}
    opened = open_port(str(port), 115_200)
    try:
        line.opened(time.monotonic() * 1000)
        ends = time.monotonic() + _ANSWER_WITHIN_S
        while len(found) < wanted and time.monotonic() < ends:
            now_ms = time.monotonic() * 1000
            line.tick(now_ms)
            while data := line.take_bytes(now_ms):
                os.write(opened.fd, data)
            if select.select([opened.fd], [], [], 0.02)[0]:
                line.receive(os.read(opened.fd, 4096), time.monotonic() * 1000)
            for session, report in line.take_reports():
                if isinstance(report, Heard) and isinstance(report.message, PropReport):
                    said = report.message
                    found[session.board, said.life, said.prop] = said.number
    finally:
        opened.close()
    return found


def counts(site: Site, ledger: Path, boards: BoardCounters) -> dict[str, Any]:
    """The last night of `ledger` and the boards' counters, as one JSON object.

    `agree` is true where every number that a board has counted is in the ledger, once.
    """
    with Reader.open(ledger) as reader:
        night = reader.nights()[-1]
        by_prop = reader.counts(night.night_id)
        stops = sum(
            event.kind == "all-stop" for event in reader.events(Filter(nights=(night.night_id,)))
        )
        known = reader.counters()
    triggers: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for counted in by_prop.values():
        triggers.update(counted.by_trigger)
        reasons.update(counted.missed_by_reason)
    names = {
        (controller.board_id, prop.index): prop.name
        for controller in site.controllers
        for prop in site.props_of_controller(controller.name)
    }
    rows = []
    for (board, life, index), number in sorted(boards.items()):
        row = known.get((board, life, index))
        stored, gaps = (row.stored, row.gaps + row.baseline) if row else (0, 0)
        rows.append(
            {
                "board": board,
                "prop": names[board, index],
                "life": f"{life:08X}",
                "counter": number,
                "in_ledger": stored,
                "gaps": gaps,
            }
        )
    return {
        "site": site.name,
        "ledger": str(ledger),
        "night": night.night_id,
        "cycles": {p.name: by_prop[p.name].cycles if p.name in by_prop else 0 for p in site.props},
        "triggers": dict(sorted(triggers.items())),
        "missed": sum(counted.missed for counted in by_prop.values()),
        "missed_by_reason": dict(sorted(reasons.items())),
        "all_stops": stops,
        "boards": rows,
        "agree": all(row["counter"] == row["in_ledger"] and row["gaps"] == 0 for row in rows),
    }
