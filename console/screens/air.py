"""The air: how much there is, who takes it, and for how many groups it will do."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from console.errors import UserError
from console.screens.air_lines import NONE, demand_rows, history_rows, tank_lines
from console.screens.base import Place
from console.screens.bindings import AIR_WAYS, ways
from console.screens.desk import Desk
from console.screens.leak_plot import LeakPlot, leak_lines
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, line, paragraph
from console.views.records import LeakTestRecord


class Air(Place):
    """Predicted from cycles as they happen, corrected by a pressure sensor where one is fitted."""

    title_text = "Air"
    help_text = (
        "The tank's pressure, predicted from what each cycle takes and corrected by a sensor "
        "where one is fitted. A sensor and a prediction that stay apart mean a leak or a tired "
        "compressor, and it says which. L records a leak test, y shows those of the season: "
        "under 10 % of the compressor is well kept, 20 % and more poorly."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*AIR_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.tests: list[LeakTestRecord] = []
        self.state = "reading the ledger …"
        self._shows_tests = False

    def body(self) -> ComposeResult:
        yield Tank(self)
        yield Rows(id="demand")
        yield Tests(self)
        yield LeakPlot()

    def show(self) -> None:
        demand, plot = self.query_one("#demand", Rows), self.query_one(LeakPlot)
        demand.display = not self._shows_tests
        self.query_one(Tests).display = self._shows_tests
        plot.display = self._shows_tests and len(self.tests) > 1 and self.size.height >= 18
        if self._shows_tests:
            plot.put(self.tests)
        else:
            self._show_demand()

    def on_screen_resume(self) -> None:
        super().on_screen_resume()
        self._read()

    @work(exclusive=True, group="tests")
    async def _read(self) -> None:
        records = self.desk.records
        if records is None:
            self.state = "This console was started without a ledger to read."
        else:
            try:
                self.tests = await asyncio.to_thread(records.leak_tests)
                self.state = "No leak test yet: L records one."
            except UserError as error:
                self.tests = []
                self.state = f"{error.message}: {error.hint}"
        self.tick()

    def action_tests(self) -> None:
        """The season's leak tests instead of who takes the air, or back."""
        self._shows_tests = not self._shows_tests
        self.tick()

    def asked(self) -> None:
        """A recorded test shows once the ledger has it."""
        self.set_timer(0.3, self._read)

    def _show_demand(self) -> None:
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


class Tests(Lines):
    """The newest leak tests in words."""

    def __init__(self, place: Air) -> None:
        super().__init__(id="tests")
        self._place = place

    def make(self, width: int) -> list[Line]:
        place = self._place
        room = 12 if place.size.height >= 34 else 4 if place.size.height >= 20 else 2
        return leak_lines(place.tests, place.state, width, room)
