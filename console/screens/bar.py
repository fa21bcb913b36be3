"""The all-stop bar: the bottom row of every screen and every dialog."""

from __future__ import annotations

from textual import events

from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.text import Line, Span, clock
from console.stopbar import LABEL, LABEL_COLUMNS
from console.views.models import StopProgress

ANSWER_S = 0.5
"""How long a press may go unanswered before the bar says so."""


class StopBar(Lines):
    """Says how to stop everything, and whether everything is stopped.

    Docked by the screen's own style so that nothing scrolls it away. Only its label can be
    clicked; a press anywhere else on the row does nothing.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__(id="stop-bar")
        self._desk = desk

    def tick(self) -> None:
        """Look again, at the ground's colour too."""
        stop = self._desk.store.stop
        marked = stop.latched or bool(stop.strays) or self._waits
        self.set_class(marked, "-latched")
        super().tick()

    @property
    def _waits(self) -> bool:
        stopper = self._desk.stopper
        return stopper.unsent or stopper.unanswered_s > ANSWER_S

    def make(self, width: int) -> list[Line]:
        return [(Span(LABEL, Role.LABEL), Span(self._words(width - LABEL_COLUMNS), Role.PLAIN))]

    def _words(self, room: int) -> str:
        desk, stop = self._desk, self._desk.store.stop
        if desk.stopper.unsent:
            return " NOT SENT: engine not reached. Close the air by hand."
        if self._waits and not stop.latched:
            return f" SENT, NO ANSWER for {desk.stopper.unanswered_s:.0f} s: use the hardwired stop"
        if stop.strays and not stop.latched:
            return f" still stopped: {', '.join(stop.strays)}"
        if not stop.latched:
            if not desk.stopper.reached:
                return " no way to the engine now: use the hardwired stop"
            return " stops all by software; replaces no hardwired stop" if room >= 50 else ""
        sure = [c for c in stop.confirmations if c.progress is StopProgress.CONFIRMED]
        open_ = desk.unconfirmed()
        at, of = clock(stop.at_wall_ns), len(stop.confirmations)
        if open_ and room < 50:
            return f" {at} · NOT CONFIRMED: {len(open_)} of {of}"
        if open_:
            return f" latched {at} · {len(sure)} of {of} · NOT CONFIRMED: {', '.join(open_)}"
        count = f" latched {at} · confirmed {len(sure)} of {of}"
        return f"{count} · {stop.source}" if stop.source else count

    def on_click(self, event: events.Click) -> None:
        """A click on the label stops."""
        if event.x < LABEL_COLUMNS:
            event.stop()
            self._desk.stopper.press("click", self._desk.who)
            self.tick()
