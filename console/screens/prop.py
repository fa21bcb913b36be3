"""One prop: its sequences step by step, its points live, its last cycles, what keeps it."""

from __future__ import annotations

import time
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal

from console.screens.base import Place
from console.screens.bindings import PROP_ACTIONS, PROP_WAYS, ask_bindings, ways
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.prop_lines import head_lines, sequence_lines, side_lines
from console.screens.rows import Row, Rows
from console.screens.text import Line, line


class PropPage(Place):
    """One prop's own page. `[` and `]` follow the walk."""

    title_text = "Prop"
    help_text = (
        "One prop in full. Left its sequences step by step, with a bar while one runs; right its "
        "outputs and sensors as they are now, what keeps it from being armed or fired, and its "
        "last cycles. After one confirmed fire from here, further ones need one key for a minute. "
        "Tab goes to the other list, arrows scroll it."
    )
    own_page = True
    BINDINGS: ClassVar[list[BindingType]] = [*ask_bindings(PROP_ACTIONS), *ways(*PROP_WAYS)]

    def __init__(self, desk: Desk, prop: str) -> None:
        super().__init__(desk)
        self._prop = prop

    def body(self) -> ComposeResult:
        yield PropHead(self)
        with Horizontal(id="pair"):
            yield Rows(id="sequences")
            yield Rows(id="side")

    def show(self) -> None:
        prop = self.desk.store.prop(self._prop)
        left, right = self.query_one("#sequences", Rows), self.query_one("#side", Rows)
        if prop is None or not left.room:
            return
        stale = not self.desk.store.linked
        made = sequence_lines(prop, left.room, time.time_ns())
        left.put([Row(row) for row in made], stale=stale)
        right.put([Row(row) for row in side_lines(prop, right.room)], stale=stale)

    def chosen_prop(self) -> str:
        return self._prop

    def action_turn(self, by: int) -> None:
        """The next prop along the walk, or the one before."""
        names = [p.name for p in self.desk.store.props]
        if self._prop in names:
            self._prop = names[(names.index(self._prop) + by) % len(names)]
            self.tick()

    def leave(self) -> None:
        """Back to where one came from."""
        self.app.pop_screen()


class PropHead(Lines):
    """State and facts above the two lists."""

    def __init__(self, page: PropPage) -> None:
        super().__init__(id="prop-head")
        self._page = page

    def make(self, width: int) -> list[Line]:
        desk, name = self._page.desk, self._page.chosen_prop()
        prop = desk.store.prop(name)
        if prop is None:
            return [line(f"{name}: the engine does not know it any more.")]
        rows = head_lines(prop, width - 1, time.time_ns(), desk.quick_fire_s(name))
        room = 2 if self.app.size.height < 20 else 6
        return rows[:room]
