"""A list of rows that draws only those that changed.

Line API: with 32 props at 4 Hz it costs a quarter of what a table of cells does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from console.screens.bindings import LIST_WAYS, ways
from console.screens.palette import CHOSEN, STALE, STYLES, Role
from console.screens.text import Line, Span, crop

CURSOR = "›"  # noqa: RUF001
"""Stands before the chosen row."""


class Row(NamedTuple):
    """One row. A row with a key can be chosen, one without is there to be read."""

    line: Line
    key: str = ""


class Rows(ScrollView, can_focus=True):
    """Rows under a heading that stays, with a cursor on those that can be chosen.

    The chosen key survives a change of the rows; when it is gone the nearest row is chosen.
    """

    ALLOW_MAXIMIZE = False

    DEFAULT_CSS = """
    Rows { overflow-x: hidden; overflow-y: auto; scrollbar-size-vertical: 1; height: 1fr;
           scrollbar-gutter: stable; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [*ways(*LIST_WAYS, show=False)]

    class Chosen(Message):
        """The cursor is on another row, or on the same row that says something new."""

        def __init__(self, rows: Rows, key: str) -> None:
            super().__init__()
            self.rows = rows
            self.key = key

        @property
        def control(self) -> Rows:
            """The list it comes from."""
            return self.rows

    class Opened(Chosen):
        """Enter, or a click on the row under the cursor."""

    def __init__(self, *, heading: Line = (), id: str | None = None) -> None:
        super().__init__(id=id)
        self._heading = heading
        self._rows: tuple[Row, ...] = ()
        self._chosen = ""
        self._stale = False

    @property
    def chosen(self) -> str:
        """The key under the cursor, empty when there is none."""
        return self._chosen

    @property
    def lines(self) -> list[Line]:
        """What is in the list, the heading first where there is one."""
        return [*([self._heading] if self._heading else []), *(row.line for row in self._rows)]

    @property
    def room(self) -> int:
        """Columns for a row; the scroll bar has one of its own whether it shows or not."""
        return self.scrollable_content_region.width

    @property
    def _head(self) -> int:
        return 1 if self._heading else 0

    def put(self, rows: Sequence[Row], *, heading: Line = (), stale: bool = False) -> None:
        """Show `rows`; only what differs is drawn again. `stale` greys everything."""
        old, self._rows = self._rows, tuple(rows)
        redraw_all = stale != self._stale or len(old) != len(self._rows)
        self._stale = stale
        if heading != self._heading:
            redraw_all |= bool(heading) != bool(self._heading)
            self._heading = heading
            self._redraw_line(0)
        if len(old) != len(self._rows) or redraw_all:
            self.virtual_size = Size(0, self._head + len(self._rows))
        self._keep_choice(old)
        if redraw_all:
            self.refresh()
            return
        for index, (before, after) in enumerate(zip(old, self._rows, strict=True)):
            if before.line != after.line:
                self._redraw_line(self._head + index - self.scroll_offset.y)

    def choose(self, key: str) -> None:
        """Put the cursor on the row with this key, if there is one."""
        index = self._index(key)
        if index is None:
            return
        changed, before = key != self._chosen, self._index(self._chosen)
        self._chosen = key
        if changed:
            for row in (before, index):
                if row is not None:
                    self._redraw_line(self._head + row - self.scroll_offset.y)
            self.post_message(self.Chosen(self, key))
        self._show_row(index)

    def _index(self, key: str) -> int | None:
        return next((i for i, row in enumerate(self._rows) if row.key and row.key == key), None)

    def _keep_choice(self, old: Sequence[Row]) -> None:
        if self._index(self._chosen) is not None:
            return
        was = next((i for i, row in enumerate(old) if row.key == self._chosen), 0)
        able = [i for i, row in enumerate(self._rows) if row.key]
        if not able:
            self._chosen = ""
            return
        self.choose(self._rows[min(able, key=lambda i: abs(i - was))].key)

    def _show_row(self, index: int) -> None:
        height = max(1, self.size.height - self._head)
        # The row above the first one that can be chosen is its heading: bring it along.
        above = index - 1 if index and not self._rows[index - 1].key else index
        top = self.scroll_offset.y
        if above < top:
            self.scroll_to(y=above, animate=False)
        elif index >= top + height:
            self.scroll_to(y=index - height + 1, animate=False)

    def _redraw_line(self, y: int) -> None:
        if 0 <= y < self.size.height:
            self.refresh(Region(0, y, self.size.width, 1))

    def render_line(self, y: int) -> Strip:
        width = self.room
        row_number = y - self._head + self.scroll_offset.y
        if y < self._head:
            return self._strip(self._heading, width, chosen=False)
        if not 0 <= row_number < len(self._rows):
            return Strip.blank(width, self.rich_style)
        row = self._rows[row_number]
        return self._strip(row.line, width, chosen=bool(row.key) and row.key == self._chosen)

    def _strip(self, line: Line, width: int, *, chosen: bool) -> Strip:
        ground = self.rich_style
        if chosen:
            ground += Style(bgcolor=CHOSEN)
            # The ground's colour alone would not do: it differs too little, and not for everybody.
            if line and line[0].text.startswith(" "):
                line = (Span(CURSOR + line[0].text[1:], line[0].role), *line[1:])
        if self._stale:
            grey = ground + Style(color=STALE, dim=False, bold=False)
            return Strip([Segment(s.text, grey) for s in crop(line, width)], width)
        return Strip([Segment(s.text, ground + STYLES[s.role]) for s in crop(line, width)], width)

    def action_step(self, by: int) -> None:
        """Move the cursor, or scroll where nothing can be chosen."""
        able = [i for i, row in enumerate(self._rows) if row.key]
        if not able:
            self.scroll_relative(y=by, animate=False)
            return
        here = self._index(self._chosen)
        place = able.index(here) if here in able else 0
        target = able[max(0, min(len(able) - 1, place + by))]
        if (here == able[0] and by < 0) or (here == able[-1] and by > 0):
            self.scroll_to(y=0 if by < 0 else self.max_scroll_y, animate=False)
        self.choose(self._rows[target].key)

    def action_page(self, by: int) -> None:
        """Move by a screenful."""
        self.action_step(by * max(1, self.size.height - self._head - 1))

    def action_end(self, last: int) -> None:
        """Move to the first or the last row."""
        self.action_step(len(self._rows) if last else -len(self._rows))

    def action_open(self) -> None:
        """Open what is under the cursor."""
        if self._chosen:
            self.post_message(self.Opened(self, self._chosen))

    def on_click(self, event: events.Click) -> None:
        """Choose the row that was clicked; a click on the chosen row opens it."""
        number = event.y - self._head + self.scroll_offset.y
        if event.y < self._head or not 0 <= number < len(self._rows):
            return
        key = self._rows[number].key
        if key and key == self._chosen:
            self.action_open()
        elif key:
            self.choose(key)


HEADING = Role.MUTED
"""The role of column headings."""
