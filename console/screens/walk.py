"""The walk: groups on their way, the next one's turn, tonight's crowd."""

from __future__ import annotations

import time
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from console.screens.base import AskFor, Place
from console.screens.bindings import WALK_WAYS, ways
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.rows import Rows
from console.screens.text import Line
from console.screens.walk_lines import (
    GROUP_HEADING,
    crowd_lines,
    group_rows,
    headway_lines,
    strip_lines,
)


class Walk(Place):
    """Two consoles may show it, one at the entrance and one at the desk; both may send."""

    title_text = "Walk"
    help_text = (
        "Who is where. The strip is the walk from entrance to exit, each zone as wide as guests "
        "take long; a group stands on it by its number, with ? where the follower is unsure. g "
        "sends a group by its strength, G another like the last one; ] and [ put the chosen group "
        "one zone on or back, j anywhere; y keeps its zone quiet for it."
    )

    BINDINGS: ClassVar[list[BindingType]] = [*ways(*WALK_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self._to = ""

    def body(self) -> ComposeResult:
        yield Headway(self)
        yield Strips(self)
        yield Rows(id="groups", heading=GROUP_HEADING)
        yield Crowd(self)

    def show(self) -> None:
        rows = self.query_one("#groups", Rows)
        if rows.room:
            made = group_rows(self.desk.store, rows.room, time.time_ns())
            rows.put(made, heading=GROUP_HEADING, stale=not self.desk.store.linked)

    def subject(self, action_id: str) -> str:
        chosen = self.query_one("#groups", Rows).chosen
        if action_id == "correct_group":
            return chosen
        if action_id == "correct_zone":
            to, self._to = self._to, ""
            return to
        if action_id == "quiet_zone":
            return next((g.zone for g in self.desk.store.groups if str(g.number) == chosen), "")
        return super().subject(action_id)

    def action_move(self, to: str) -> None:
        """Correct the chosen group with one key."""
        if self.subject("correct_group"):
            self._to = to
            self.post_message(AskFor("correct_group"))

    def on_rows_chosen(self) -> None:
        """Other keys work on another row."""
        self.tick()


class Headway(Lines):
    """How soon."""

    def __init__(self, walk: Walk) -> None:
        super().__init__(id="headway")
        self._walk = walk

    def make(self, width: int) -> list[Line]:
        rows = headway_lines(self._walk.desk.store.headway, width, time.time_ns())
        return rows if self.app.size.height >= 20 else rows[:1]


class Strips(Lines):
    """The walk from left to right."""

    def __init__(self, walk: Walk) -> None:
        super().__init__(id="walk")
        self._walk = walk

    def make(self, width: int) -> list[Line]:
        return strip_lines(self._walk.desk.store, width)


class Crowd(Lines):
    """Tonight in numbers; where there is no room for all of it, the first row."""

    def __init__(self, walk: Walk) -> None:
        super().__init__(id="crowd")
        self._walk = walk

    def make(self, width: int) -> list[Line]:
        height = self.app.size.height
        rows = crowd_lines(self._walk.desk.store.crowd, width, tall=height >= 34)
        return rows if height >= 20 else rows[:1]
