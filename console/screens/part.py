"""One part: what it is, how its motion's times go, and everything that was done to it."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any, ClassVar

from rich.color import Color
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual_plotext import PlotextPlot

from console.errors import UserError
from console.screens.base import Place
from console.screens.bindings import PART_WAYS, ways
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import GROUND, INKS, Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, line
from console.screens.upkeep import NO_LEDGER, undo
from console.screens.upkeep_lines import fact_rows, work_line
from console.views.upkeep import PartPage, TravelChart

Rgb = tuple[int, int, int]


class PartPlace(Place):
    """A part's own page. `[` and `]` go through the charts of its motion."""

    title_text = "Part"
    help_text = (
        "One part in full: its upkeep against its intervals, its life, the times that its motion "
        "took, and everything on record about it. The chart shows one direction in one sequence "
        "since the last work on the motion: dots are single cycles, the line their average, below "
        "it what the baseline expects, above it the limit at which the average is a flag. v "
        "records a service, u takes it back within a minute."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*PART_WAYS)]

    def __init__(self, desk: Desk, subject: str) -> None:
        super().__init__(desk)
        self._subject = subject
        self.page: PartPage | None = None
        self.state = "reading the ledger …"
        self.chart = 0

    def body(self) -> ComposeResult:
        yield PartFacts(self)
        yield TravelPlot(self)
        yield Rows(id="work")

    def show(self) -> None:
        rows = self.query_one("#work", Rows)
        width = rows.room
        if not width:
            return
        page = self.page
        self.query_one(TravelPlot).show_chart()
        made = [Row(work_line(one, width)) for one in page.work] if page else []
        none = [Row(line(Span(" no work on record" if page else f" {self.state}", Role.MUTED)))]
        rows.put(made or none, heading=line(Span(" on record, newest first", Role.MUTED)))

    def on_screen_resume(self) -> None:
        super().on_screen_resume()
        self._read()

    @work(exclusive=True, group="part")
    async def _read(self) -> None:
        upkeep = self.desk.upkeep
        if upkeep is None:
            self.state = NO_LEDGER
        else:
            try:
                self.page = await asyncio.to_thread(upkeep.part, self._subject)
            except UserError as error:
                self.page = None
                self.state = f"{error.message}: {error.hint}"
        self.tick()

    def chosen_chart(self) -> TravelChart | None:
        """The chart that is shown, None where there is none."""
        charts = self.page.charts if self.page else ()
        return charts[self.chart % len(charts)] if charts else None

    def action_turn(self, by: int) -> None:
        """Another direction or sequence."""
        self.chart += by
        self.tick()

    def action_undo(self) -> None:
        """Take back what was recorded within the last minute."""
        if self.page and self.page.items:
            undo(self, self.page.items[0])

    def chosen_prop(self) -> str:
        return self._subject.partition("/")[0]

    def subject(self, action_id: str) -> str:
        if action_id != "service":
            return super().subject(action_id)
        items = self.page.items if self.page else ()
        return items[0].subject if items else self._subject

    def asked(self) -> None:
        """A recorded service shows once the ledger has it."""
        self.set_timer(0.3, self._read)

    def leave(self) -> None:
        """Back to where one came from."""
        self.app.pop_screen()


class PartFacts(Lines):
    """What the part is and how its upkeep stands."""

    def __init__(self, place: PartPlace) -> None:
        super().__init__(id="part-facts", classes="head")
        self._place = place

    def make(self, width: int) -> list[Line]:
        page = self._place.page
        if page is None:
            return [line(Span(f" {self._place.state}", Role.MUTED))]
        return fact_rows(page, width, max(2, self._place.size.height // 4))


class TravelPlot(PlotextPlot):
    """The times of one motion, with the limits drawn."""

    ALLOW_MAXIMIZE = False

    def __init__(self, place: PartPlace) -> None:
        super().__init__(id="travel")
        self._place = place
        self._drawn: tuple[TravelChart | None, int, int] | None = None

    def on_mount(self) -> None:
        """Colours come from the palette, not from a theme of the plotting library."""
        self.auto_theme = False

    def show_chart(self) -> None:
        """Draw the chosen chart, when it or the room has changed."""
        chart = self._place.chosen_chart()
        now = (chart, self.size.width, self.size.height)
        self.display = chart is not None and self._place.size.height >= 18
        if now == self._drawn or chart is None:
            return
        self._drawn = now
        draw(self.plt, chart)
        self.refresh()


def draw(plt: Any, chart: TravelChart) -> None:
    """Plot a chart: single values, their average, what is expected, the limit."""
    plt.clear_figure()
    plt.canvas_color(_rgb(GROUND))
    plt.axes_color(_rgb(GROUND))
    plt.ticks_color(_rgb(INKS[Role.MUTED]))
    plt.title(chart_title(chart))
    at = list(range(1, len(chart.values) + 1))
    plt.scatter(at, list(chart.values), marker="braille", color=_rgb(INKS[Role.MUTED]))
    for values, role, name in (
        (chart.limit, Role.WARN, "limit"),
        (chart.expected, Role.NOTE, "baseline"),
        (chart.average, Role.STRONG, "average"),
    ):
        xs, ys = _known(at, values)
        if xs:
            plt.plot(xs, ys, marker="braille", color=_rgb(INKS[role]), label=name)
    for ticks, lowest, highest in (
        (plt.xticks, 1, len(at)),
        (plt.yticks, min(chart.values, default=0), max(chart.values, default=1)),
    ):
        places = [lowest + (highest - lowest) * step / 4 for step in range(5)]
        ticks(places, [f"{place:.0f}" for place in places])


def chart_title(chart: TravelChart) -> str:
    """What is shown, and what is found."""
    way = "going out" if chart.direction == "out" else "coming home"
    found = (
        f"SLOW, {chart.slower:+.0%}"
        if chart.flagged_at is not None
        else "few data, learning its baseline"
        if chart.learning
        else f"as usual, {chart.slower:+.0%}"
    )
    return f"{chart.sequence}, {way}, ms: {found}"


def _known(at: Sequence[int], values: Sequence[float | None]) -> tuple[list[int], list[float]]:
    pairs = [(x, y) for x, y in zip(at, values, strict=True) if y is not None]
    return [x for x, _ in pairs], [y for _, y in pairs]


def _rgb(colour: str) -> Rgb:
    triplet = Color.parse(colour).get_truecolor()
    return (triplet.red, triplet.green, triplet.blue)
