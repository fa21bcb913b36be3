"""The air: how much there is, who takes it, and for how many groups it will do."""

from __future__ import annotations

from textual.app import ComposeResult

from console.screens.air_lines import NONE, demand_rows, history_rows, tank_lines
from console.screens.base import Place
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, line, paragraph


class Air(Place):
    """Predicted from cycles as they happen, corrected by a pressure sensor where one is fitted."""

    title_text = "Air"
    help_text = (
        "The tank's pressure, predicted from what each cycle takes and corrected by a sensor "
        "where one is fitted. A sensor and a prediction that stay apart mean a leak or a tired "
        "compressor, and it says which. L records a leak test."
    )

    def body(self) -> ComposeResult:
        yield Tank(self)
        yield Rows(id="demand")

    def show(self) -> None:
        air = self.desk.store.air
        rows = self.query_one("#demand", Rows)
        if not rows.room:
            return
        if air is None:
            rows.put([])
            return
        height = self.app.size.height
        plot = 8 if height >= 34 else 4 if height >= 20 else 2
        made = [*(Row(r) for r in history_rows(air, rows.room, plot)), Row(())]
        made += [Row(line(Span("Taken since the engine started", Role.STRONG)))]
        rows.put([*made, *demand_rows(air, rows.room)], stale=not self.desk.store.linked)


class Tank(Lines):
    """The tank now."""

    def __init__(self, place: Air) -> None:
        super().__init__(id="tank")
        self._place = place

    def make(self, width: int) -> list[Line]:
        air = self._place.desk.store.air
        return paragraph(NONE, width, Role.MUTED) if air is None else tank_lines(air, width)
