"""What the ledger keeps of an opening check, and how a new engine takes it up again."""

from __future__ import annotations

from console.ledger.entries import OpenNight
from console.ledger.reader import Reader
from console.ledger.rows import EventRow, Filter
from console.rules.airtest import EVENT_KIND as LEAK_TEST
from console.rules.opening import Kept, Key, Result

CHECK, UNDONE = "check", "check-undone"
"""Kinds of the ledger's events; their subject is a prop, a controller or the site."""
SIGN_IN, OPEN_UP, CLOSE_UP, HANDOVER = "sign-in", "open-up", "close-up", "handover"


def opening_of(reader: Reader, night: OpenNight | None) -> Kept:
    """The opening check of the open night as far as it has come."""
    newest = list(reader.events(Filter(kind=LEAK_TEST, newest=1)))
    leak_test_ns = newest[0].wall_ns if newest else 0
    if night is None:
        return Kept(leak_test_ns=leak_test_ns)
    kinds = (CHECK, UNDONE, SIGN_IN, OPEN_UP, CLOSE_UP, HANDOVER)
    rows = [r for k in kinds for r in reader.events(Filter(nights=(night.night_id,), kind=k))]
    results: dict[Key, Result] = {}
    rechecked: dict[str, int] = {}
    shift = [night.by]
    closing = False
    for row in sorted(rows, key=lambda row: row.seq):
        match row.kind:
            case "check":
                reading = str(row.detail.get("reading") or "")
                key = row.subject, str(row.detail.get("item"))
                results[key] = Result(row.by, row.wall_ns, reading)
            case "check-undone":
                _undo(row, results, rechecked)
            case "sign-in":
                shift.append(row.by)
            case "handover":
                shift.append(str(row.detail.get("to") or ""))
            case _:
                closing = row.kind == CLOSE_UP
    names = tuple(dict.fromkeys(name for name in shift if name))
    return Kept(results, names, rechecked, closing, leak_test_ns)


def _undo(row: EventRow, results: dict[Key, Result], rechecked: dict[str, int]) -> None:
    items = row.detail.get("items")
    for item in items if isinstance(items, list) else ():
        results.pop((row.subject, str(item)), None)
    if row.detail.get("anew") is True:
        rechecked[row.subject] = row.wall_ns
