"""The opening check as rows: what remains at a glance, in walking order. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby

from console.rules.opening import SITE, How, Part
from console.screens.palette import Role
from console.screens.rows import Row
from console.screens.text import Line, Span, bar, clock, count_of, fit, line, paragraph
from console.views.models import CheckView, OpeningView

PARTS = {
    Part.BEFORE.value: "Before setting out",
    Part.STOPS.value: "Stops: one walk for all, cleared once",
    Part.LAST.value: "Last, at the entrance",
    Part.CLOSING.value: "Closing up",
}
NO_NIGHT = (
    "No night is open. o opens one: the opening check belongs to it, and leads from here. After a "
    "night `sexton report` says what it came to."
)
CLOSED = "All done. O closes the night; then `sexton report` says what it came to."
NAME_WIDTH = 20


def check_rows(
    opening: OpeningView, titles: Mapping[str, str], width: int, *, everything: bool
) -> list[Row]:
    """Part by part; a subject of which all is done is one row, unless everything is wanted.

    `titles` are those of zones and props by name.
    """
    rows: list[Row] = []
    for part, items in groupby(opening.items, key=lambda i: i.part):
        of_part = list(items)
        rows.append(Row(_heading(PARTS.get(part) or titles.get(part, part), of_part)))
        for subject, several in groupby(of_part, key=lambda i: i.subject):
            rows += _of_subject(
                list(several), titles.get(subject, ""), width, everything=everything
            )
    return rows


def sum_lines(
    opening: OpeningView, titles: Mapping[str, str], width: int, *, low: bool
) -> list[Line]:
    """How far it has come, what is next, who is signed in, what stays closed."""
    what = "Closing up" if opening.closing else "Opening check"
    share = opening.done / opening.of if opening.of else 0.0
    counted = f" {opening.done} of {opening.of} "
    first = line(
        Span(f" {what}"), Span(counted, Role.STRONG),
        Span(bar(share, max(8, min(24, width - 56))), Role.MUTED),
        Span(f"  shift: {', '.join(opening.shift)}", Role.MUTED),
    )  # fmt: skip
    if low:
        return [first]
    if opening.arming:
        names = ", ".join(titles.get(name, name) for name in opening.arming)
        second = line(Span(f" Opening up, to come: {names}", Role.ASKED))
    elif opening.required and opening.unchecked:
        closed = count_of(len(opening.unchecked), "prop")
        names = ", ".join(titles.get(name, name) for name in opening.unchecked)
        second = line(Span(f" {closed} closed until checked: ", Role.WARN), Span(names, Role.MUTED))
    elif opening.done < opening.of:
        second = line(Span(" Nothing is closed by what is left.", Role.MUTED))
    else:
        second = line(
            Span(f" {CLOSED}" if opening.closing else " All done. A opens up.", Role.NOTE)
        )
    return [first, second]


def todo_lines(item: CheckView | None, width: int, rows: int) -> list[Line]:
    """What is to be done for the chosen item, always as many rows."""
    made: list[Line] = []
    if item is not None:
        seen = f"Now: {item.said}. " if item.said and not item.done else ""
        made = paragraph(f"{seen}{item.todo}", width, Role.TEXT, " ")
    return [*made, *[line("")] * rows][:rows]


def _heading(title: str, items: Sequence[CheckView]) -> Line:
    needed = [i for i in items if i.needed]
    remaining = sum(not i.done for i in needed)
    tail = f"  {remaining} left" if remaining else "  done"
    return line(Span(title, Role.STRONG), Span(tail, Role.MUTED))


def _of_subject(items: list[CheckView], title: str, width: int, *, everything: bool) -> list[Row]:
    subject = items[0].subject
    shown = items if everything else [i for i in items if not i.done]
    name = title if subject != SITE else ""
    if not shown:
        if not name:
            return []
        words = f"all {len(items)} done" if len(items) > 1 else items[0].title
        return [Row(_row("✓", name, words, "", width, Role.MUTED), f"{subject}/")]
    return [
        Row(_item(i, name if n == 0 else "", width, named=bool(name)), f"{i.subject}/{i.item}")
        for n, i in enumerate(shown)
    ]


def _item(item: CheckView, name: str, width: int, *, named: bool) -> Line:
    if item.done:
        at = clock(item.at_wall_ns, seconds=False)
        tail = ", ".join(w for w in (item.reading, f"{item.by or 'by itself'} {at}") if w)
        return _row("✓", name, item.title, tail, width, Role.MUTED, named=named)
    if not item.needed:
        return _row("+", name, item.title, item.said or "offered", width, Role.NOTE, named=named)
    if item.how == How.ITSELF.value:
        return _row("!", name, item.title, item.said, width, Role.WARN, named=named)
    return _row("·", name, item.title, item.said, width, Role.TEXT, named=named)


def _row(
    mark: str, name: str, title: str, tail: str, width: int, role: Role, *, named: bool = True
) -> Line:
    left = min(NAME_WIDTH, width // 4) if named else 0
    room = max(10, width - left - 4)
    middle = max(10, min(34 if named else room, room * 3 // 5 if tail else room))
    return line(
        Span(f" {mark} ", role),
        *([Span(fit(name, left) + " ", Role.TEXT)] if named else []),
        Span(fit(title, middle), role),
        Span(f" {tail}" if tail else "", Role.MUTED),
    )
