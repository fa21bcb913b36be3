"""The history of work on parts as it is held true now: corrections put in their places.

Nothing is ever changed in the ledger. A correction is an entry of its own that names the one it is
about; whoever wants to know what really happened reads the entries through `settled`.
"""

from __future__ import annotations

from collections.abc import Iterable
from operator import attrgetter

from console.ledger.entries import ServiceKind
from console.ledger.rows import ServiceRow

_done = attrgetter("wall_ns", "seq")


def settled(rows: Iterable[ServiceRow]) -> list[ServiceRow]:
    """The entries that hold, in the order in which the work was done.

    Each keeps the `seq` under which it was first recorded; `about` is the `seq` of the correction
    that counts, None where there is none. An exchange is two rows, one for each place.
    """
    rows = list(rows)
    if all(row.about is None for row in rows):
        return sorted(rows, key=_done)
    own: dict[int, list[ServiceRow]] = {}
    said: dict[int, list[ServiceRow]] = {}
    pair: dict[int, int] = {}
    before: ServiceRow | None = None
    for row in sorted(rows, key=lambda row: row.seq):
        if row.about is None:
            if before is not None and _pairs(before, row):
                pair[row.seq] = before.seq
                own[before.seq].append(row)
                before = None
                continue
            own[row.seq] = [row]
        else:
            said.setdefault(row.about, []).append(row)
        before = row
    found: list[ServiceRow] = []
    for seq, first in own.items():
        corrections = [
            row
            for about, several in said.items()
            if pair.get(about, about) == seq
            for row in several
        ]
        if not corrections:
            found.extend(first)
            continue
        newest = max(corrections, key=lambda row: row.seq)
        if newest.kind == ServiceKind.VOID:
            continue
        both = [r for r in corrections if r is newest or _pairs(r, newest) or _pairs(newest, r)]
        found.extend(_in_place(row, first[0], newest.seq) for row in both[-2:])
    return sorted(found, key=_done)


def _in_place(row: ServiceRow, first: ServiceRow, seq: int) -> ServiceRow:
    """The correction where the first entry stood, with its meters where place and time agree."""
    placed = row._replace(seq=first.seq, about=seq)
    same = (row.prop, row.motion, row.wall_ns) == (first.prop, first.motion, first.wall_ns)
    if not same:
        return placed
    return placed._replace(prop_cycles=first.prop_cycles, strokes=first.strokes)


def _pairs(one: ServiceRow, next_one: ServiceRow) -> bool:
    """Whether the two rows are the two ends of one exchange."""
    return (
        one.kind == next_one.kind == ServiceKind.MOVED
        and next_one.seq == one.seq + 1
        and next_one.other == (one.prop, one.motion, one.part)
        and one.other == (next_one.prop, next_one.motion, next_one.part)
    )
