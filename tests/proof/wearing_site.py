"""An invented site of any size, and a ledger that follows it night by night with wear put in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from pathlib import Path

from console.ledger.entries import (
    CycleEntry,
    Entry,
    NightClosed,
    NightOpened,
    ServiceEntry,
    StrokeMeters,
    Travel,
)
from console.ledger.ledger import Ledger
from console.site.loading import load
from console.site.models import Site

SECOND_NS = 10**9
OPENS = dt.time(18, 0)


def site_text(
    props: int, nights: Sequence[tuple[dt.date, int]], *, service: str = "", parts: str = ""
) -> str:
    """A site of so many props with one motion each; nights are (date, hours open)."""
    lines, controllers, shown = [], [], []
    for n in range(1, props + 1):
        lines.append(f"  line-{n}: {{path: /dev/serial/by-id/proof-{n}}}")
        controllers.append(
            f"  board-{n}: {{board_id: P{n}, line: line-{n}, where: at prop {n},"
            f" isolate: ball valve at prop {n}}}"
        )
        shown.append(f"""\
  prop-{n}:
    title: Prop {n}
    zone: hall
    controller: board-{n}
    rest: 5 s
    motions:
      lift:
        output: 1
        de_energised: returns
        travel: 500 ms
        return: 700 ms
        end_sensor: {{out: {{input: 2}}, home: {{input: 3}}}}
        parts:
          cylinder: {{kind: cylinder, model: seal kit}}
          valve: {{kind: valve, model: valve}}
{parts}    triggers:
      sensor: {{kind: beam, input: 1}}
    sequences:
      full:
        strength: standard
        length: 4 s
        steps:
          - {{at: 0 ms, lift: on}}
          - {{at: 1500 ms, lift: off}}
    default_sequence: full
""")
    dates = "\n".join(
        f"  - {{date: {day}, opens: 18:00, closes: {18 + hours}:00}}" for day, hours in nights
    )
    return "\n".join(
        [
            "site: Morrowfen Ice Works", "timezone: UTC", "zones:", "  hall: {title: Hall}",
            "lines:", *lines, "controllers:", *controllers, "props:", *shown,
            *(["service:", service] if service else []),
            *(["nights:", dates] if nights else []), "",
        ]
    )  # fmt: skip


def make_site(folder: Path, text: str) -> Site:
    """Load a site from its text."""
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def opens_ns(day: dt.date) -> int:
    """When the night of a date opens."""
    return int(dt.datetime.combine(day, OPENS, dt.UTC).timestamp()) * SECOND_NS


class Book:
    """A ledger being written, with the counts that its boards would keep."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.ledger = Ledger.open(path)
        self.cycles: dict[str, int] = {}
        self.strokes: dict[str, int] = {}
        self.now_ns = 0

    def open_night(self, day: dt.date) -> int:
        """Open a night; returns when."""
        self.now_ns = opens_ns(day)
        self.ledger.append([NightOpened(self.now_ns, "Ines", day.isoformat())])
        return self.now_ns

    def close_night(self, at_ns: int) -> None:
        """Close it."""
        self.now_ns = at_ns
        self.ledger.append([NightClosed(at_ns, "Ines")])

    def cycle(
        self, prop: str, at_ns: int, out_ms: float | None, back_ms: float | None, **other: object
    ) -> CycleEntry:
        """One cycle of a prop, numbered on."""
        number = self.cycles[prop] = self.cycles.get(prop, 0) + 1
        index = prop.removeprefix("prop-")
        travels = tuple(
            Travel("lift", way, round(ms))
            for way, ms in (("out", out_ms), ("back", back_ms))
            if ms is not None
        )
        values: dict[str, object] = {"sequence": "full", "trigger": "sensor", "outcome": "done"}
        values |= other
        return CycleEntry(
            board=f"P{index}", life=1, prop_index=1, number=number, prop=prop,
            started_wall_ns=at_ns, bound_ms=4.0, boot=1, board_ms=number, duration_ms=4000,
            travels=travels, **values,  # type: ignore[arg-type]
        )  # fmt: skip

    def stroke(self, prop: str, count: int, at_ns: int) -> StrokeMeters:
        """The board's stroke counter after `count` more."""
        self.strokes[prop] = self.strokes.get(prop, 0) + count
        index = prop.removeprefix("prop-")
        return StrokeMeters(f"P{index}", 1, 1, self.strokes[prop], at_ns, prop, "lift")

    def work(self, prop: str, part: str, kind: str, at_ns: int, task: str = "") -> ServiceEntry:
        """Somebody did something to a part of the motion."""
        return ServiceEntry(
            part, prop, "lift", kind, "Ines", "", {}, at_ns, task=task, recorded_wall_ns=at_ns
        )

    def write(self, entries: Iterable[Entry]) -> None:
        """Append them together."""
        self.ledger.append(list(entries))
