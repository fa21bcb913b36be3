"""A few rows of text that follow what is known, and draw only when they change."""

from __future__ import annotations

from rich.segment import Segment
from textual import events
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from console.screens.palette import STYLES
from console.screens.text import Line, crop


class Lines(Widget):
    """Rows made by `make`; looked at again on every tick. Subclasses override `make`."""

    DEFAULT_CSS = "Lines { height: auto; }"

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._shown: list[Line] = []

    @property
    def lines(self) -> list[Line]:
        """What is shown."""
        return self._shown

    def make(self, width: int) -> list[Line]:
        """The rows for a widget this wide."""
        raise NotImplementedError

    def tick(self) -> None:
        """Look again."""
        width = self.size.width
        if not width:
            return
        made = self.make(width)
        old, self._shown = self._shown, made
        if len(old) != len(made):
            self.refresh(layout=True)
            return
        for y, (before, after) in enumerate(zip(old, made, strict=True)):
            if before != after:
                self.refresh(Region(0, y, width, 1))

    def on_resize(self, event: events.Resize) -> None:
        """Another width cuts the text elsewhere."""
        self.tick()
        self.refresh()

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As many rows as there are lines."""
        if not self._shown and width:
            self._shown = self.make(width)
        return len(self._shown)

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        ground = self.rich_style
        if y >= len(self._shown):
            return Strip.blank(width, ground)
        spans = crop(self._shown[y], width)
        return Strip([Segment(s.text, ground + STYLES[s.role]) for s in spans], width)
