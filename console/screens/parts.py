"""The parts that wear, against their intervals."""

from __future__ import annotations

import asyncio

from textual import work
from textual.app import ComposeResult

from console.errors import UserError
from console.screens.base import Place
from console.screens.desk import Desk
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, bar, day_and_clock, fit, line
from console.views.records import PartRecord

_COUNTS = 22

NEAR = 0.8
"""From this share of its interval on, a part stands out."""


def part_line(part: PartRecord, width: int) -> Line:
    """One part: how far it is through its interval, in a bar, in numbers and in a word."""
    share, word, role = 0.0, "", Role.MUTED
    words = "not counted" if part.used is None else f"{part.used} {part.unit}, no limit"
    if part.used is not None and part.interval:
        share = part.used / part.interval
        words = f"{part.used} {part.unit} of {part.interval}"
        word = "DUE" if share >= 1 else "soon" if share >= NEAR else ""
        role = Role.WARN if share >= NEAR else Role.MUTED
    name, kind = _columns(width)
    last = f" {day_and_clock(part.serviced_wall_ns or 0)[:10]}" if width >= 100 else ""
    return line(
        Span(fit(f" {part.place}", name)),
        Span(fit(f" {part.kind}", kind), Role.MUTED),
        Span(f" {bar(share, 8)} ", role),
        Span(fit(words, _COUNTS), role),
        Span(fit(f" {word}", 5), role),
        Span(last, Role.MUTED),
    )


def _columns(width: int) -> tuple[int, int]:
    """How wide name and kind are; on narrow screens the name says enough."""
    kind = 10 if width >= 76 else 0
    dated = 11 if width >= 100 else 0
    return max(14, width - kind - dated - _COUNTS - 15), kind


def part_heading(width: int) -> Line:
    """The names of the columns of `part_line`."""
    name, kind = _columns(width)
    counts = fit("since its last service", _COUNTS + 5)
    dated = " service" if width >= 100 else ""
    words = f"{fit(' part', name)}{fit(' kind', kind)}{'':<10}{counts}{dated}"
    return line(Span(words, Role.MUTED))


class Parts(Place):
    """A list to act on; recording a service starts the count again."""

    title_text = "Parts"
    help_text = (
        "Every part of the site file with what it has done since it was last serviced, nearest "
        "to its interval first. v records that the chosen one was serviced or replaced."
    )

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.parts: list[PartRecord] = []
        self.state = "not read yet"

    def body(self) -> ComposeResult:
        yield Rows(id="parts")

    def show(self) -> None:
        rows = self.query_one("#parts", Rows)
        width = rows.room
        if width:
            made = [Row(part_line(p, width), f"{p.prop}/{p.motion}/{p.name}") for p in self.parts]
            none = [Row(line(Span(f" {self.state}", Role.MUTED)))]
            rows.put(made or none, heading=part_heading(width))

    def on_screen_resume(self) -> None:
        super().on_screen_resume()
        self._read()

    @work(exclusive=True, group="parts")
    async def _read(self) -> None:
        records = self.desk.records
        if records is None:
            self.state = "This console was started without a ledger to read."
        else:
            try:
                self.parts = await asyncio.to_thread(records.parts)
                self.state = "The site file names no parts."
            except UserError as error:
                self.parts = []
                self.state = f"{error.message}: {error.hint}"
        self.tick()

    def subject(self, action_id: str) -> str:
        if action_id != "service":
            return super().subject(action_id)
        return self.query_one("#parts", Rows).chosen

    def asked(self) -> None:
        """A recorded service shows once the ledger has it."""
        self.set_timer(0.3, self._read)

    def on_rows_chosen(self) -> None:
        """Other keys work on another row."""
        self.tick()
