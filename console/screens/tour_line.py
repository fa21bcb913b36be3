"""The rows of the tour, above the keys: what to press, what that does, and how to leave it."""

from __future__ import annotations

from rich.cells import cell_len

from console.screens.bindings import TOUR_WAYS, key_name
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.text import Line, Span, line, paragraph
from console.screens.tour import Stage
from console.screens.tour_steps import TYPED

_GO, _END = (key_name(way.key) for way in TOUR_WAYS)

OFFER = f"New here? {_GO} takes the tour of the keys, under two minutes. {_END}: no, thanks."
FAREWELL = (
    "That was the tour. ? explains the screen you are on, F2 lists every key, "
    f"{_GO} takes the tour again."
)
LOW = 20
"""With fewer rows than this there is room for the text on the floor only."""

_WRITTEN = {TYPED: ("a few words", Role.MUTED), "down": ("↓", Role.KEY)}


class TourLine(Lines):
    """Takes room only while there is something to say, no focus, and no key but its own two.

    Above a dialog it says the same as below it; an offer can wait until the dialog is gone.
    """

    def __init__(self, desk: Desk, *, dialog: bool = False) -> None:
        super().__init__(id="tour")
        self._desk = desk
        self._dialog = dialog
        self.display = False

    def tick(self) -> None:
        """Look again, also whether to be there at all."""
        tour = self._desk.tour
        wanted = Stage.UNDER_WAY if self._dialog else tour.stage
        self.display = tour.stage is wanted and tour.shown(self._desk.store)
        if self._dialog:
            self.screen.set_class(self.display, "-touring")
        super().tick()

    def make(self, width: int) -> list[Line]:
        tour = self._desk.tour
        step = tour.step
        if step is None:
            words = OFFER if tour.stage is Stage.OFFERED else FAREWELL
            return [line(" ", *row) for row in paragraph(words, width - 2, Role.NOTE)]
        rows = self._head(width)
        if self.app.size.height >= LOW or not (self._dialog or tour.away):
            rows += [line(" ", *row) for row in paragraph(step.text, width - 2)]
        return rows

    def _head(self, width: int) -> list[Line]:
        """The keys to press and those of the tour, in a row each where one is too short."""
        number, of = self._desk.tour.count
        spans = [Span(f" Tour {number} of {of}", Role.NOTE), Span("  press")]
        for key in self._desk.tour.keys:
            name, role = _WRITTEN.get(key, (key_name(key), Role.KEY))
            spans.append(Span(f" {name}", role))
        ends = f"{_GO} next  {_END} ends it "
        gap = width - sum(cell_len(s.text) for s in spans) - len(ends)
        if gap < 1:
            return [line(*spans), line(Span(f" {ends}", Role.MUTED))]
        return [line(*spans, Span(" " * gap), Span(ends, Role.MUTED))]
