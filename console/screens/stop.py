"""The all-stop, controller by controller."""

from __future__ import annotations

from textual.app import ComposeResult

from console.screens.base import Place
from console.screens.lines import Lines
from console.screens.rows import Row, Rows
from console.screens.stop_lines import (
    caution_lines,
    controller_rows,
    heading,
    summary_lines,
    warning_lines,
)
from console.screens.text import Line
from console.views.models import StopProgress

LOW = 20
"""Fewer rows than this leave no room for what can scroll."""


class StopPlace(Place):
    """How far an all-stop has come, what moves nevertheless, and how it is cleared."""

    title_text = "All-stop"
    help_text = (
        "F9, Ctrl+X or a click on the label below stop everything, from every screen, dialog and "
        "input. Here is how far that has come with each controller. NOT CONFIRMED means: go there "
        "and close its air by hand; after that l leaves it out of the clear. c clears in two "
        "steps, starts nothing and leaves everything disarmed."
    )

    def body(self) -> ComposeResult:
        yield Summary(self)
        yield Rows(id="controllers")
        yield Cautions()

    def show(self) -> None:
        rows = self.query_one("#controllers", Rows)
        width = rows.room
        if width:
            store = self.desk.store
            rows.put(
                self._made(width),
                heading=heading(store, width),
                stale=not store.linked,
            )

    def _made(self, width: int) -> list[Row]:
        """Controllers, then warnings; on a low screen the cautions scroll along."""
        store = self.desk.store
        rows = controller_rows(store, width)
        words = warning_lines(store, width)
        if self._low:
            words += caution_lines(width)
        return [*rows, *(Row(w) for w in ([(), *words] if words else []))]

    @property
    def _low(self) -> bool:
        return self.app.size.height < LOW

    def subject(self, action_id: str) -> str:
        if action_id != "leave_out":
            return super().subject(action_id)
        chosen = self.query_one("#controllers", Rows).chosen
        missing = [
            c.controller
            for c in self.desk.store.stop.confirmations
            if c.progress is StopProgress.NOT_CONFIRMED
        ]
        return chosen if chosen in missing else ""

    def on_rows_chosen(self) -> None:
        """Other keys work on another row."""
        self.tick()


class Summary(Lines):
    """What is latched."""

    def __init__(self, place: StopPlace) -> None:
        super().__init__(id="summary")
        self._place = place

    def make(self, width: int) -> list[Line]:
        return summary_lines(self._place.desk.store, width)


class Cautions(Lines):
    """What software cannot do; it stands below wherever there is room."""

    def make(self, width: int) -> list[Line]:
        if self.app.size.height < LOW:
            return []
        return caution_lines(width)
