"""What the upkeep screens say, row by row. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from console.screens.palette import Role
from console.screens.text import Line, Span, bar, clock, day_and_clock, fit, line, paragraph
from console.views.upkeep import PartPage, SeasonTable, UpkeepItem, WorkRecord, Worsening

_BAR = 8
_WORD = 6
_WHEN = 15
_CHANCE = 7
_ROLES = {"due": Role.WARN, "soon": Role.WARN}
_NIGHT = 3
"""Columns of one night in the heat strip: two of shade and one between."""
_SHADES = " ·░▒▓█"


def _columns(width: int) -> tuple[int, int, int, int]:
    """How wide id, title, used and date are; a narrow screen has room for the chance alone."""
    when = 0 if width < 78 else _WHEN
    used = 23 if width < 110 else 27
    spare = width - _WORD - _BAR - 2 - _CHANCE - when - used
    title = 0 if width < 110 else min(36, spare // 2)
    return max(12, spare - title), title, used, when


def upkeep_heading(width: int) -> Line:
    """The names of the columns of `upkeep_line`."""
    name, title, used, when = _columns(width)
    words = (
        f"{fit('', _WORD)}{fit('what', name)}{fit('', title)}{fit('', _BAR + 2)}"
        f"{fit('since its service', used)}{fit('due', when)}{fit('chance', _CHANCE)}"
    )
    return line(Span(words, Role.MUTED))


def upkeep_line(item: UpkeepItem, width: int) -> Line:
    """One piece of upkeep: a bar against its interval, then numbers, date and chance."""
    name, title, used, when = _columns(width)
    role = _ROLES.get(item.standing, Role.MUTED)
    word = {"due": "DUE", "soon": "soon"}.get(item.standing, "")
    return line(
        Span(fit(f" {word}", _WORD), role),
        Span(fit(_tail(item.id, name - 1), name)),
        Span(fit(item.title, title - 1) + " " if title else "", Role.MUTED),
        Span(f"{bar(item.share or 0.0, _BAR)}  ", role),
        Span(fit(item.used, used - 1) + " ", role),
        Span(fit(item.when, when), role),
        Span(fit(item.chance, _CHANCE), Role.MUTED),
    )


def _tail(text: str, width: int) -> str:
    """The end of an id that is too long: motion and part tell more than a prop's beginning."""
    return text if len(text) <= width else "…" + text[len(text) - width + 1 :]


def head_line(ahead: str, worse: Sequence[Worsening] | None, items: Sequence[UpkeepItem]) -> Line:
    """How much is due, and whether something is getting worse."""
    due = sum(item.standing == "due" for item in items)
    told = f" {due} due" if due else " nothing due"
    getting = (
        Span("   looking for what gets worse …", Role.MUTED)
        if worse is None
        else Span(f"   {len(worse)} getting worse", Role.WARN)
        if worse
        else Span("   nothing is getting worse", Role.MUTED)
    )
    return line(
        Span(told, Role.WARN if due else Role.MUTED), Span(f"   {ahead}", Role.MUTED), getting
    )


def worse_lines(worse: Sequence[Worsening], width: int, most: int) -> list[Line]:
    """What is getting worse, the cause beneath where there is room."""
    rows: list[Line] = []
    for one in worse:
        rows += paragraph(f"{one.place}: {one.text}; {one.cause}", width, Role.WARN, " ")
    if len(rows) > most > 0:
        rows = [*rows[: most - 1], line(Span(" … more with `sexton upkeep drift`", Role.WARN))]
    return rows[:most]


def fact_rows(page: PartPage, width: int, most: int) -> list[Line]:
    """What a part is and how its upkeep stands."""
    rows = [line(Span(fit(f" {page.facts[0]}", width), Role.STRONG))]
    for item in page.items:
        role = _ROLES.get(item.standing, Role.MUTED)
        words = f" {bar(item.share or 0.0, _BAR)}  {item.used}"
        rows.append(
            line(
                Span(fit(words, min(44, width)), role),
                Span(fit(f"  {item.when}", _WHEN + 2), role),
                Span(item.title, Role.TEXT),
            )
        )
    for fact in page.facts[1:]:
        rows += paragraph(fact, width, Role.MUTED, " ")
    return rows[:most]


def work_line(work: WorkRecord, width: int) -> Line:
    """One entry of work; what was corrected says so."""
    when = day_and_clock(work.wall_ns)[:16] if width >= 90 else day_and_clock(work.wall_ns)[:10]
    gone = "" if work.holds else " (corrected)"
    note = f": {work.note}" if work.note else ""
    return line(
        Span(f" {when}  ", Role.MUTED),
        Span(fit(work.by, 12)),
        Span(f" {work.what}{note}", Role.TEXT if work.holds else Role.MUTED),
        Span(gone, Role.NOTE),
    )


def season_heading(table: SeasonTable, width: int, skip: int) -> list[Line]:
    """Month and day above each night, oldest left."""
    name, count = season_room(width)
    nights = table.nights[skip : skip + count]
    months = "".join(
        fit(date[5:7] if n == 0 or date[:7] != nights[n - 1][:7] else "", _NIGHT)
        for n, date in enumerate(nights)
    )
    days = "".join(fit(date[8:10], _NIGHT) for date in nights)
    return [
        line(Span(fit(" month", name) + months, Role.MUTED)),
        line(Span(fit(" night", name) + fit(days, count * _NIGHT) + "   each", Role.MUTED)),
    ]


def season_room(width: int) -> tuple[int, int]:
    """How wide a name is and how many nights fit beside it."""
    name = 18 if width < 100 else 24
    return name, max(1, (width - name - 8) // _NIGHT)


def season_line(prop: str, counts: Sequence[int], most: int, width: int, skip: int) -> Line:
    """One prop's nights, the darker the more cycles, and its mean a night."""
    name, count = season_room(width)
    cells = "".join(f"{shade(n, most) * 2} " for n in counts[skip : skip + count])
    played = [n for n in counts if n]
    mean = f"{sum(played) / len(played):6.0f}" if played else "     -"
    return line(
        Span(fit(f" {prop}", name)),
        Span(fit(cells, count * _NIGHT), Role.NOTE),
        Span(f" {mean}", Role.MUTED),
    )


def shade(count: int, most: int) -> str:
    """A glyph for a count: blank for none, then five steps up to the most."""
    if count <= 0:
        return _SHADES[0]
    return _SHADES[max(1, min(5, 1 + (count * 5 - 1) // max(most, 1)))]


def shade_words(most: int) -> str:
    """What the glyphs mean."""
    steps = ", ".join(
        f"{glyph * 2} to {round(most * (n + 1) / 5)}" for n, glyph in enumerate(_SHADES[1:])
    )
    return f" cycles a night: {steps}"


def undo_line(recorded_wall_ns: int, entry: int) -> str:
    """What an undo says when it is too late."""
    return f"entry {entry} was written down at {clock(recorded_wall_ns)}, over a minute ago"
