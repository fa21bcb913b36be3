"""The season's leak tests: the share of the compressor against the 10 and 20 % marks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.color import Color
from textual import events
from textual_plotext import PlotextPlot

from console.figures.leak import POOR_PERCENT, WELL_KEPT_PERCENT
from console.rules.airtest import Mark, mark_of
from console.screens.palette import GROUND, INKS, Role
from console.screens.text import Line, Span, day_and_clock, fit, line, paragraph, plain
from console.views.records import LeakTestRecord

Rgb = tuple[int, int, int]

_ROLES = {Mark.WELL_KEPT: Role.TEXT, Mark.LOOK: Role.WARN, Mark.POOR: Role.BAD}


class LeakPlot(PlotextPlot):
    """Drawn anew when there is another test or another room."""

    ALLOW_MAXIMIZE = False
    DEFAULT_CSS = "LeakPlot { height: 1fr; min-height: 6; }"

    def __init__(self) -> None:
        super().__init__(id="leaks")
        self._tests: list[LeakTestRecord] = []
        self._drawn: tuple[int, int, int] | None = None

    def on_mount(self) -> None:
        """Colours come from the palette, not from a theme of the plotting library."""
        self.auto_theme = False

    def put(self, tests: Sequence[LeakTestRecord]) -> None:
        """Show these, oldest first."""
        self._tests = [test for test in tests if test.percent is not None]
        now = (len(self._tests), self.size.width, self.size.height)
        if now != self._drawn and self.size.width:
            self._drawn = now
            draw(self.plt, self._tests)
            self.refresh()

    def on_resize(self, event: events.Resize) -> None:
        """Another room."""
        self.put(self._tests)


def draw(plt: Any, tests: Sequence[LeakTestRecord]) -> None:
    """Plot the tests by day, with both marks."""
    plt.clear_figure()
    plt.canvas_color(_rgb(GROUND))
    plt.axes_color(_rgb(GROUND))
    plt.ticks_color(_rgb(INKS[Role.MUTED]))
    if not tests:
        return
    days = [(test.wall_ns - tests[0].wall_ns) / 86_400e9 for test in tests]
    shares = [test.percent or 0.0 for test in tests]
    last = max(days[-1], 1.0)
    for percent, role in ((WELL_KEPT_PERCENT, Role.NOTE), (POOR_PERCENT, Role.WARN)):
        plt.plot(
            [0, last], [percent, percent], marker="braille", color=_rgb(INKS[role]),
            label=f"{percent:.0f} %",
        )  # fmt: skip
    plt.plot(days, shares, marker="braille", color=_rgb(INKS[Role.STRONG]), label="leak")
    top = max(25.0, *(share * 1.1 for share in shares))
    plt.ylim(0, top)
    plt.yticks(list(range(0, int(top) + 1, 10)), [f"{n} %" for n in range(0, int(top) + 1, 10)])
    marks = sorted({0, len(tests) // 2, len(tests) - 1})
    plt.xticks([days[at] for at in marks], [day_and_clock(tests[at].wall_ns)[:10] for at in marks])


def leak_lines(tests: Sequence[LeakTestRecord], state: str, width: int, room: int) -> list[Line]:
    """The newest tests first, each with its mark in words."""
    if not tests:
        return paragraph(state, width, Role.MUTED)
    rows = [line(Span("Leak tests, newest first", Role.STRONG))]
    for test in list(reversed(tests))[:room]:
        mark = None if test.percent is None else mark_of(test.percent)
        share = "      -" if test.percent is None else f"{test.percent:5.1f} %"
        rows.append(
            line(
                Span(f" {day_and_clock(test.wall_ns)}  ", Role.MUTED),
                Span(f"{share}  {test.leak_cfm:6.2f} cfm  ", _ROLES[mark] if mark else Role.TEXT),
                Span(fit(mark.value if mark else "", 16), _ROLES[mark] if mark else Role.TEXT),
                Span(f" {plain(test.by)}", Role.MUTED),
            )
        )
    return rows


def _rgb(colour: str) -> Rgb:
    triplet = Color.parse(colour).get_truecolor()
    return triplet.red, triplet.green, triplet.blue
