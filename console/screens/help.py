"""Help for the screen one is on, and the list of all keys; both read the bindings themselves."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len
from textual.binding import Binding

from console.screens.bindings import (
    AIR_WAYS,
    ALARM_WAYS,
    EVERYWHERE,
    FLOOR_WAYS,
    LEDGER_WAYS,
    LIST_WAYS,
    OPENING_WAYS,
    PLACES,
    PROP_ACTIONS,
    PROP_WAYS,
    SITE_ACTIONS,
    STOP_KEYS,
    TOUR_WAYS,
    WALK_WAYS,
    Way,
    key_name,
)
from console.screens.desk import Desk
from console.screens.dialogs import Read
from console.screens.palette import Role
from console.screens.text import Line, Span, line, paragraph

Entry = tuple[str, str, str]
"""Key, title, help."""


def entry_lines(entries: Sequence[Entry], width: int) -> list[Line]:
    """Keys with what they do, the help set in below where it does not fit beside."""
    rows: list[Line] = []
    for key, title, help_ in entries:
        head = line(Span(f" {key:>6} ", Role.KEY), Span(title))
        room = width - 11 - cell_len(title)
        if cell_len(help_) <= room:
            rows.append((*head, Span(f"  {help_}", Role.MUTED)))
        else:
            rows += [head, *paragraph(help_, width, Role.MUTED, " " * 8)]
    return rows


def of_bindings(bindings: Sequence[Binding]) -> list[Entry]:
    """What stands in the help for each binding."""
    return [(key_name(b.key), b.description, b.tooltip) for b in bindings]


def of_ways(table: Sequence[Way]) -> list[Entry]:
    """What stands in the help for each way about."""
    return [
        (" ".join(key_name(key) for key in way.key.split(",")), way.title, way.help)
        for way in table
    ]


class Help(Read):
    """What this screen is for, and the keys that work on it now."""

    def __init__(self, desk: Desk, title: str, text: str, bindings: Sequence[Binding]) -> None:
        super().__init__(desk, f"Help: {title}")
        self._text = text
        self._usable = bindings

    def make(self, width: int) -> list[Line]:
        rows = paragraph(self._text, width)
        rows += [(), line(Span("Keys that work here now", Role.STRONG))]
        rows += entry_lines(of_ways(STOP_KEYS), width)
        return rows + entry_lines(of_bindings(self._usable), width)


class AllKeys(Read):
    """Every key of every screen."""

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk, "All keys")

    def make(self, width: int) -> list[Line]:
        props = [(a.key, a.title, a.help) for a in PROP_ACTIONS]
        site = [(a.key, a.title, a.help) for a in SITE_ACTIONS]
        groups: list[tuple[str, list[Entry]]] = [
            ("Everywhere, in dialogs and inputs too", of_ways(STOP_KEYS)),
            ("The tour of the keys, in dialogs and inputs too", of_ways(TOUR_WAYS)),
            ("On every screen", [*of_ways(PLACES), *of_ways(EVERYWHERE)]),
            ("Of the site, where they apply", site),
            ("On the floor and on a prop's page", props),
            ("In lists", of_ways(LIST_WAYS)),
            ("On the floor", of_ways(FLOOR_WAYS)),
            ("On a prop's page", of_ways(PROP_WAYS)),
            ("Among the alarms", of_ways(ALARM_WAYS)),
            ("On the walk", of_ways(WALK_WAYS)),
            ("On the air screen", of_ways(AIR_WAYS)),
            ("In the opening check", of_ways(OPENING_WAYS)),
            ("In the ledger", of_ways(LEDGER_WAYS)),
        ]
        rows: list[Line] = []
        for title, entries in groups:
            rows += [line(Span(title, Role.STRONG)), *entry_lines(entries, width), ()]
        return rows
