"""Tonight's groups in numbers, and what is known of walking times from the nights before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from console.ledger.reader import Reader
from console.ledger.rows import EventRow, Filter
from console.rules.groups.pace import EARLIER_GROUPS, Span, spans_of
from console.rules.groups.walk import Walk

SENT, LEFT = "group-sent", "group-left"
"""The kinds of the ledger's events. Their subject is `group/NUMBER`."""
QUARTER_S = 900
ENTRANCE = ""
"""Stands for the entrance where places are given by the names of props."""


@dataclass(slots=True)
class Book:
    """What happened tonight; all clocks in ns since 1970, durations in ms."""

    groups: int = 0
    guests: int = 0
    through_ms: list[float] = field(default_factory=list)
    longest_wait_ms: float = 0.0
    last_sent_ns: int = 0
    per_quarter: Counter[int] = field(default_factory=Counter)
    missed: Counter[tuple[str, str]] = field(default_factory=Counter)

    def sent(self, size: int, wall_ns: int) -> None:
        """A group went in."""
        if self.last_sent_ns:
            self.longest_wait_ms = max(self.longest_wait_ms, (wall_ns - self.last_sent_ns) / 1e6)
        self.groups += 1
        self.guests += size
        self.last_sent_ns = wall_ns
        self.per_quarter[wall_ns // 10**9 // QUARTER_S * QUARTER_S] += 1

    def left(self, through_ms: float) -> None:
        """A group came out."""
        self.through_ms.append(through_ms)

    @property
    def average_through_ms(self) -> int:
        """How long a group took on average; 0 before the first came out."""
        return round(sum(self.through_ms) / len(self.through_ms)) if self.through_ms else 0


@dataclass(frozen=True, slots=True)
class Past:
    """What the ledger tells a new engine: events of groups, and tonight's missed triggers."""

    left: tuple[EventRow, ...] = ()
    tonight: tuple[EventRow, ...] = ()
    missed: Mapping[tuple[str, str], int] = field(default_factory=dict)


def past_of(reader: Reader, night: int | None) -> Past:
    """Read it; `night` is the open night, if there is one."""
    left = tuple(reader.events(Filter(kind=LEFT, newest=EARLIER_GROUPS)))
    if night is None:
        return Past(left)
    sent = tuple(reader.events(Filter(nights=(night,), kind=SENT)))
    out = tuple(reader.events(Filter(nights=(night,), kind=LEFT)))
    missed: Counter[tuple[str, str]] = Counter()
    for row in reader.missed(Filter(nights=(night,))):
        missed[row.prop, row.reason] += 1
    return Past(left, (*sent, *out), missed)


def book_of(past: Past) -> Book:
    """Tonight's book as far as the ledger knows it."""
    book = Book(missed=Counter(past.missed))
    for row in past.tonight:
        if row.kind == SENT:
            book.sent(_int(row.detail.get("size")), row.wall_ns)
        else:
            book.left(float(_int(row.detail.get("through_ms"))))
    return book


def spans_from(walk: Walk, rows: Iterable[EventRow], night: int | None) -> list[Span]:
    """Walking times of groups that left, by the stations that the site has now."""
    stations = {name: i for i, name in enumerate(walk.props)} | {ENTRANCE: -1}
    found: list[Span] = []
    for row in rows:
        noticed = row.detail.get("noticed")
        if not isinstance(noticed, list):
            continue
        places = [
            (stations[pair[0]], float(pair[1]))
            for pair in noticed
            if isinstance(pair, list) and len(pair) == 2 and pair[0] in stations
        ]
        found += spans_of(places, tonight=night is not None and row.night_id == night)
    return found


def _int(value: object) -> int:
    return int(value) if isinstance(value, int | float) else 0
