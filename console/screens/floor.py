"""The floor: every prop by zone, and what the next key acts on."""

from __future__ import annotations

import time
from enum import StrEnum
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.message import Message

from console.screens.base import Place
from console.screens.bindings import FLOOR_WAYS, PROP_ACTIONS, ask_bindings, ways
from console.screens.desk import Desk
from console.screens.floor_lines import detail_lines, floor_rows, follows_groups, heading
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.prop_lines import cycle_lines
from console.screens.rows import Rows
from console.screens.text import Line, Span, count_of, crop, line


class Reach(StrEnum):
    """What a key for several props acts on."""

    PROP = "prop"  # the one under the cursor
    ZONE = "zone"  # all props of its zone
    ALL = "all"  # every prop of the site


class OpenProp(Message):
    """Somebody wants to see one prop's page."""

    def __init__(self, prop: str) -> None:
        super().__init__()
        self.prop = prop


class Floor(Place):
    """Scope is chosen with one key and falls back to the one prop after each request.

    A scope that stayed would arm a house by habit.
    """

    title_text = "Floor"
    help_text = (
        "Every prop by zone, in walking order. The keys act on the prop under the cursor; z lets "
        "the next one act on its whole zone, e on everything. Marked rows are those it will act "
        "on. A word with … was asked for and is not confirmed by the controller. The row below "
        "the list says in full what the chosen row had to leave out."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ask_bindings(PROP_ACTIONS), *ways(*FLOOR_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.reach = Reach.PROP

    def body(self) -> ComposeResult:
        yield Rows(id="floor")
        yield ScopeLine(self)
        yield Details(self)

    @property
    def _rows(self) -> Rows:
        return self.query_one("#floor", Rows)

    def show(self) -> None:
        rows = self._rows
        width = rows.room
        if not width:
            return
        store = self.desk.store
        scope = self.targets() if self.reach is not Reach.PROP else ()
        room = rows.size.height - 1
        made = floor_rows(store, width, time.time_ns(), frozenset(scope), room=room)
        rows.put(made, heading=heading(width, groups=follows_groups(store)), stale=not store.linked)

    def targets(self) -> list[str]:
        chosen = self.desk.store.prop(self.chosen_prop())
        if chosen is None:
            return []
        if self.reach is Reach.PROP:
            return [chosen.name]
        return [
            p.name
            for p in self.desk.store.props
            if self.reach is Reach.ALL or p.zone == chosen.zone
        ]

    def chosen_prop(self) -> str:
        return self._rows.chosen

    def asked(self) -> None:
        self.reach = Reach.PROP

    def action_zone(self) -> None:
        """Zone and back."""
        self._reach(Reach.ZONE)

    def action_everything(self) -> None:
        """Everything and back."""
        self._reach(Reach.ALL)

    def _reach(self, wanted: Reach) -> None:
        self.reach = Reach.PROP if self.reach is wanted else wanted
        self.tick()

    def action_open_prop(self) -> None:
        """The page of the chosen prop."""
        if chosen := self.chosen_prop():
            self.post_message(OpenProp(chosen))

    def on_rows_opened(self, event: Rows.Opened) -> None:
        """Enter or a second click."""
        self.post_message(OpenProp(event.key))

    def on_rows_chosen(self) -> None:
        """Another row, other details."""
        self.tick()

    def leave(self) -> None:
        """Here is home; Escape takes the scope back."""
        self.reach = Reach.PROP
        self.tick()


class ScopeLine(Lines):
    """Says what the next key acts on, in words."""

    def __init__(self, floor: Floor) -> None:
        super().__init__(id="scope")
        self._floor = floor

    def make(self, width: int) -> list[Line]:
        floor = self._floor
        names = floor.targets()
        prop = floor.desk.store.prop(floor.chosen_prop())
        if prop is None:
            return [line(Span(" No props known yet.", Role.MUTED))]
        count = count_of(len(names), "prop")
        if floor.reach is Reach.PROP:
            words = line(Span(" Keys act on "), Span(prop.title or prop.name, Role.STRONG))
        elif floor.reach is Reach.ZONE:
            zones = {z.name: z.title for z in floor.desk.store.zones}
            title = zones.get(prop.zone) or prop.zone
            words = line(Span(f" Next key acts on ZONE {title}: {count}", Role.WARN))
        else:
            words = line(Span(f" Next key acts on EVERYTHING: {count}", Role.WARN))
        if floor.reach is not Reach.PROP:
            words = (*words, Span("  fire, test: the chosen prop only", Role.MUTED))
        return [words]


class Details(Lines):
    """The chosen prop in full, as far as there is room; its page has the rest."""

    def __init__(self, floor: Floor) -> None:
        super().__init__(id="details")
        self._floor = floor

    def make(self, width: int) -> list[Line]:
        prop = self._floor.desk.store.prop(self._floor.chosen_prop())
        if prop is None:
            return []
        rows = detail_lines(prop, width - 1, time.time_ns())
        room = max(1, self.size.height)
        if len(rows) + 2 < room:
            rows += cycle_lines(prop, width)
        if len(rows) > room:
            last = crop(rows[room - 1], max(0, width - 14))
            rows = [*rows[: room - 1], (*last, Span(" Enter: more", Role.NOTE))]
        return rows
