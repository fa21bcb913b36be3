"""Upkeep: every part and chore against its interval, soonest first."""

from __future__ import annotations

import asyncio
import time
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.message import Message

from console.errors import UserError
from console.screens.base import Place
from console.screens.bindings import UPKEEP_WAYS, ways
from console.screens.desk import Desk, Notice
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, line
from console.screens.upkeep_lines import (
    head_line,
    undo_line,
    upkeep_heading,
    upkeep_line,
    worse_lines,
)
from console.views.models import Refusal
from console.views.upkeep import UpkeepItem, UpkeepList, Worsening

UNDO_S = 60.0
"""As in `console.rules.upkeep`: how long an entry is taken back rather than corrected."""
WORSE_EVERY_S = 300.0
"""Charts of a whole site take a second of work; what they say changes over nights."""

NO_LEDGER = "This console was started without a ledger to read."


class OpenPart(Message):
    """Somebody wants a part's own page."""

    def __init__(self, subject: str) -> None:
        super().__init__()
        self.subject = subject


class Upkeep(Place):
    """A list to act on; recording a service starts the count again."""

    title_text = "Upkeep"
    help_text = (
        "Every part and chore with what it has done since its service, in a bar against its "
        "interval, whichever limit comes first. The chance is that it is due before the next "
        "night ends; ~ stands where few nights tell it. v records that it was done or that the "
        "part was replaced, u takes that back within a minute, Enter opens the part's own page. "
        "After a minute an entry is corrected: `sexton upkeep correct`."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*UPKEEP_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.found = UpkeepList("", ())
        self.worse: list[Worsening] | None = None
        self.state = "reading the ledger …"
        self.everything = False
        self._worse_at = 0.0

    def body(self) -> ComposeResult:
        yield UpkeepHead(self)
        yield Rows(id="upkeep")

    def show(self) -> None:
        rows = self.query_one("#upkeep", Rows)
        width = rows.room
        if width:
            made = [Row(upkeep_line(item, width), item.subject) for item in self.found.items]
            none = [Row(line(Span(f" {self.state}", Role.MUTED)))]
            rows.put(made or none, heading=upkeep_heading(width))

    def on_screen_resume(self) -> None:
        super().on_screen_resume()
        self.action_read()

    def action_read(self) -> None:
        """Read the ledger again."""
        self._read()
        if time.monotonic() - self._worse_at > WORSE_EVERY_S or not self._worse_at:
            self._worse_at = time.monotonic()
            self._look_for_worse()

    def action_everything(self) -> None:
        """Also what nothing makes due, or no longer."""
        self.everything = not self.everything
        self._read()

    def action_open(self) -> None:
        """The chosen part's own page."""
        if chosen := self.query_one("#upkeep", Rows).chosen:
            self.post_message(OpenPart(chosen.partition(":")[0]))

    def action_undo(self) -> None:
        """Take back what was recorded of the chosen part within the last minute."""
        if (item := self.chosen_item()) is not None:
            undo(self, item)

    @work(exclusive=True, group="upkeep")
    async def _read(self) -> None:
        upkeep = self.desk.upkeep
        if upkeep is None:
            self.state = NO_LEDGER
        else:
            try:
                self.found = await asyncio.to_thread(upkeep.due, everything=self.everything)
                self.state = "The site file names no upkeep that is counted."
            except UserError as error:
                self.found = UpkeepList("", ())
                self.state = f"{error.message}: {error.hint}"
        self.tick()

    @work(exclusive=True, group="worse")
    async def _look_for_worse(self) -> None:
        if self.desk.upkeep is None:
            return
        try:
            self.worse = await asyncio.to_thread(self.desk.upkeep.worse)
        except UserError:
            # The list says what is wrong with the ledger.
            self.worse = None
        self.tick()

    def chosen_item(self) -> UpkeepItem | None:
        """The item under the cursor."""
        chosen = self.query_one("#upkeep", Rows).chosen
        return next((item for item in self.found.items if item.subject == chosen), None)

    def chosen_prop(self) -> str:
        item = self.chosen_item()
        return item.subject.partition("/")[0] if item else ""

    def subject(self, action_id: str) -> str:
        if action_id != "service":
            return super().subject(action_id)
        return self.query_one("#upkeep", Rows).chosen

    def asked(self) -> None:
        """A recorded service shows once the ledger has it."""
        self.set_timer(0.3, self._read)

    def on_rows_chosen(self) -> None:
        """Other keys work on another row."""
        self.tick()

    def on_rows_opened(self) -> None:
        """Enter or a second click."""
        self.action_open()


class UpkeepHead(Lines):
    """How much is due and what is getting worse, above the list."""

    def __init__(self, place: Upkeep) -> None:
        super().__init__(id="upkeep-head", classes="head")
        self._place = place

    def make(self, width: int) -> list[Line]:
        place = self._place
        rows = [head_line(place.found.ahead, place.worse, place.found.items)]
        most = max(0, min(6, place.size.height // 5))
        return [*rows, *worse_lines(place.worse or (), width, most)]


def undo(place: Place, item: UpkeepItem) -> None:
    """Take back the newest work on an item, or say why that cannot be done."""
    age_s = (time.time_ns() - item.recorded_wall_ns) / 1e9
    if not item.entry:
        place.desk.notice = _refused("nothing is recorded of it", "v records a service.")
        place.tick()
    elif age_s > UNDO_S:
        hint = f"Correct it: `sexton upkeep correct {item.entry}`."
        place.desk.notice = _refused(undo_line(item.recorded_wall_ns, item.entry), hint)
        place.tick()
    else:
        place.run_worker(_void(place, item), group="ask")


async def _void(place: Place, item: UpkeepItem) -> None:
    prop, motion, part = item.subject.partition(":")[0].split("/")
    reply = await place.desk.engine.request(
        "service", prop=prop, motion=motion, part=part, kind="void", about=item.entry,
        by=place.desk.who or item.by, note="undone",
    )  # fmt: skip
    refused = tuple((name, r) for name, found in reply.refused.items() for r in found)
    place.desk.notice = (
        Notice(f"Undone: entry {item.entry}, both stay on record", good=True)
        if reply.ok
        else Notice("Undo refused", refused)
    )
    place.asked()
    place.tick()


def _refused(reason: str, remedy: str) -> Notice:
    return Notice("Nothing undone", (("", Refusal("undo", reason, remedy)),))
