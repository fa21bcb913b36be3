"""The season: cycles of every prop, night by night, as a heat strip."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from console.errors import UserError
from console.screens.base import Place
from console.screens.bindings import SEASON_WAYS, ways
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, line
from console.screens.upkeep import NO_LEDGER
from console.screens.upkeep_lines import season_heading, season_line, season_room, shade_words
from console.views.upkeep import SeasonTable


class Season(Place):
    """Every night that was ever held, the newest at the right edge."""

    title_text = "Season"
    help_text = (
        "Cycles of every prop in every night, the darker the more. A pale night is one with few "
        "guests; a pale prop in a busy night missed something. [ and ] go back and forth."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*SEASON_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.table = SeasonTable((), ())
        self.state = "reading the ledger …"
        self.back = 0

    def body(self) -> ComposeResult:
        yield SeasonHead(self)
        yield Rows(id="season")

    @property
    def most(self) -> int:
        """The most cycles that any prop did in one night."""
        return max((n for _, counts in self.table.props for n in counts), default=0)

    def skip(self, width: int) -> int:
        """How many nights lie to the left of what is shown."""
        _, room = season_room(width)
        return max(0, len(self.table.nights) - room - self.back)

    def show(self) -> None:
        rows = self.query_one("#season", Rows)
        width = rows.room
        if not width:
            return
        skip = self.skip(width)
        made = [
            Row(season_line(prop, counts, self.most, width, skip), prop)
            for prop, counts in self.table.props
        ]
        none = [Row(line(Span(f" {self.state}", Role.MUTED)))]
        rows.put(made if self.table.nights else none)

    def on_screen_resume(self) -> None:
        super().on_screen_resume()
        self._read()

    @work(exclusive=True, group="season")
    async def _read(self) -> None:
        upkeep = self.desk.upkeep
        if upkeep is None:
            self.state = NO_LEDGER
        else:
            try:
                self.table = await asyncio.to_thread(upkeep.season)
                self.state = "No night was held yet."
            except UserError as error:
                self.table = SeasonTable((), ())
                self.state = f"{error.message}: {error.hint}"
        self.tick()

    def chosen_prop(self) -> str:
        return self.query_one("#season", Rows).chosen

    def action_turn(self, by: int) -> None:
        """Half a screen of nights back or forth."""
        room = season_room(self.query_one("#season", Rows).room)[1]
        furthest = max(0, len(self.table.nights) - room)
        self.back = max(0, min(furthest, self.back - by * max(1, room // 2)))
        self.tick()


class SeasonHead(Lines):
    """What the shades mean, and the nights above their columns."""

    def __init__(self, place: Season) -> None:
        super().__init__(id="season-head", classes="head")
        self._place = place

    def make(self, width: int) -> list[Line]:
        place = self._place
        if not place.table.nights:
            return [line(Span(" no night to show", Role.MUTED))]
        # The list beneath keeps a column for its scrollbar.
        width -= 1
        words = line(Span(shade_words(place.most), Role.MUTED))
        return [words, *season_heading(place.table, width, place.skip(width))]
