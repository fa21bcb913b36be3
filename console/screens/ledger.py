"""Cycles of this night and of those before, by night, prop and outcome."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from console.errors import UserError
from console.screens.base import Place
from console.screens.bindings import LEDGER_WAYS, ways
from console.screens.desk import Desk, Notice
from console.screens.dialogs import Choice, Choose, Field, Form
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, clock, count_of, day_and_clock, fit, line
from console.views.models import Refusal
from console.views.records import CycleRecord, NightRecord, RecordFilter

SHOWN = 500
"""How many cycles are listed; an export has all."""


def _columns(width: int) -> tuple[int, int, int, int]:
    """How wide when, prop, number and sequence are; a number that has no room is left out."""
    if width < 78:
        return 9, 14, 0, 10
    if width < 100:
        return 16, 18 + (width - 78), 8, 11
    spare = width - 100
    return 20, 22 + spare // 2, 8, 15 + spare // 2


def cycle_row(cycle: CycleRecord, width: int) -> Line:
    """One cycle in one row."""
    when, prop, number, sequence = _columns(width)
    started = cycle.started_wall_ns
    at = clock(started) if when < 16 else day_and_clock(started)
    bound = f" ±{cycle.bound_ms:.0f} ms" if width >= 100 else ""
    return line(
        Span(fit(f" {at if when != 16 else at[5:]}", when), Role.MUTED),
        Span(fit(f" {cycle.prop}", prop)),
        Span(fit(f" #{cycle.number}", number), Role.MUTED),
        Span(fit(f" {cycle.sequence}", sequence)),
        Span(fit(f" {cycle.trigger}", 9), Role.MUTED),
        Span(f"{cycle.duration_ms / 1000:5.1f} s "),
        Span(fit(cycle.outcome, 9), Role.MUTED if cycle.outcome == "done" else Role.NOTE),
        Span(bound, Role.MUTED),
    )


def cycle_heading(width: int) -> Line:
    """The names of the columns of `cycle_row`."""
    when, prop, number, sequence = _columns(width)
    words = (
        f"{fit(' started', when)}{fit(' prop', prop)}{fit(' number', number)}"
        f"{fit(' sequence', sequence)}{' trigger':<9}{'took':>7} outcome"
    )
    return line(Span(words, Role.MUTED))


class Ledger(Place):
    """Reads beside the engine, in a thread: a long ledger holds nothing up."""

    title_text = "Ledger"
    help_text = (
        "What the ledger keeps, newest first. n, p and u choose night, prop and outcome; x writes "
        "everything that matches to a file, not only what is listed. A cycle that was fetched "
        "after an outage carries the time at which it happened, within the bound beside it."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*LEDGER_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.wanted = RecordFilter()
        self.nights: list[NightRecord] = []
        self.outcomes: list[str] = []
        self.cycles: list[CycleRecord] = []
        self.state = "not read yet"
        self._first = True

    def body(self) -> ComposeResult:
        yield Filters(self)
        yield Rows(id="ledger")

    def show(self) -> None:
        rows = self.query_one("#ledger", Rows)
        width = rows.room
        if width:
            made = [Row(cycle_row(c, width), str(n)) for n, c in enumerate(self.cycles)]
            none = [Row(line(Span(f" {self.state}", Role.MUTED)))]
            rows.put(made or none, heading=cycle_heading(width))

    def on_screen_resume(self) -> None:
        super().on_screen_resume()
        self.action_read()

    def action_read(self) -> None:
        """Read the ledger again."""
        self._read()

    @work(exclusive=True, group="ledger")
    async def _read(self) -> None:
        records = self.desk.records
        if records is None:
            self.state = "This console was started without a ledger to read."
            self.tick()
            return
        try:
            self.nights = await asyncio.to_thread(records.nights)
            if self._first and self.nights:
                self.wanted = RecordFilter(night=self.nights[0].id)
            self._first = False
            self.outcomes = await asyncio.to_thread(records.outcomes)
            self.cycles = await asyncio.to_thread(records.cycles, self.wanted, SHOWN)
            self.state = "No cycles match."
        except UserError as error:
            self.cycles = []
            self.state = f"{error.message}: {error.hint}"
        self.tick()

    def action_filter(self, what: str) -> None:
        """Choose what is listed."""
        self.app.run_worker(self._filter(what), group="ask")

    async def _filter(self, what: str) -> None:
        everything = Choice("", "all of them")
        if what == "night":
            choices = [
                Choice(str(n.id), f"{n.date}, {count_of(n.cycles, 'cycle')}"
                       + ("" if n.closed_wall_ns else ", open"))
                for n in self.nights
            ]  # fmt: skip
        elif what == "prop":
            choices = [Choice(p.name, p.title or p.name) for p in self.desk.store.props]
        else:
            choices = [Choice(o, o) for o in self.outcomes]
        dialog = Choose(self.desk, f"List which {what}?", [everything, *choices])
        chosen = await self.app.push_screen_wait(dialog)
        if chosen is None:
            return
        was = self.wanted
        self.wanted = RecordFilter(
            night=(int(chosen) if chosen else None) if what == "night" else was.night,
            prop=chosen if what == "prop" else was.prop,
            outcome=chosen if what == "outcome" else was.outcome,
        )
        self.action_read()

    def action_export(self) -> None:
        """Write what matches to a file."""
        self.app.run_worker(self._export(), group="ask")

    async def _export(self) -> None:
        records = self.desk.records
        if records is None:
            return
        kinds = [Choice("csv", "CSV, for tables"), Choice("json", "JSON, for programs")]
        kind = await self.app.push_screen_wait(Choose(self.desk, "Write as", kinds))
        if kind is None:
            return
        path = Path.home() / f"cycles-{time.strftime('%Y-%m-%d-%H%M%S')}.{kind}"
        form = Form(self.desk, "Write to", [], [Field("path", "File, a new one", str(path))])
        values = await self.app.push_screen_wait(form)
        if values is None:
            return
        target = Path(values["path"]).expanduser()
        try:
            count = await asyncio.to_thread(records.export, self.wanted, kind, target)
        except UserError as error:
            refusal = Refusal("export", error.message, error.hint)
            self.desk.notice = Notice("Not written", (("", refusal),))
        else:
            self.desk.notice = Notice(f"Wrote {count_of(count, 'cycle')} to {target}", good=True)
        self.tick()


class Filters(Lines):
    """What is listed."""

    def __init__(self, ledger: Ledger) -> None:
        super().__init__(id="filters")
        self._ledger = ledger

    def make(self, width: int) -> list[Line]:
        place = self._ledger
        wanted = place.wanted
        dates = {n.id: n.date for n in place.nights}
        night = "all" if wanted.night is None else dates.get(wanted.night, str(wanted.night))
        shown = len(place.cycles)
        newest = f"the newest {shown}" if shown == SHOWN else f"{shown} listed"
        return [
            line(
                Span(" n", Role.KEY), f" night {night} ", Span(" p", Role.KEY),
                f" prop {wanted.prop or 'all'} ", Span(" u", Role.KEY),
                f" outcome {wanted.outcome or 'all'} ", Span(f" {newest}", Role.MUTED),
            )
        ]  # fmt: skip
