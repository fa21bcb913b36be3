"""All alarms, those to act on first at the top."""

from __future__ import annotations

import time
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from console.screens.base import AskFor, Place
from console.screens.bindings import ALARM_WAYS, ways
from console.screens.head import PRIORITY_GLYPHS, PRIORITY_ROLES
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Span, age, clock, count_of, line, paragraph
from console.views.models import AlarmView


def alarm_rows(alarms: list[AlarmView], width: int, now_ns: int) -> list[Row]:
    """Each alarm with its remedy in full; the first row of each can be chosen."""
    rows: list[Row] = []
    for alarm in alarms:
        seen = alarm.acknowledged
        role = Role.MUTED if seen else PRIORITY_ROLES[alarm.priority]
        times = f", {alarm.count} times" if alarm.count > 1 else ""
        words = f"{PRIORITY_GLYPHS[alarm.priority]} {alarm.priority.value}: {alarm.text}"
        since = f"{clock(alarm.since_wall_ns)}, {age(alarm.since_wall_ns, now_ns)} ago{times}"
        first, *rest = paragraph(words, width, role, " ")
        rows.append(Row(first, alarm.id))
        rows += [Row(r) for r in rest]
        rows += [Row(r) for r in paragraph(f"→ {alarm.remedy}", width, Role.TEXT, "   ")]
        tail = f"   {alarm.subject} · {since} · {'seen' if seen else 'not seen yet'}"
        rows.append(Row(line(Span(tail, Role.MUTED))))
    return rows or [Row(line(Span(" No alarms.", Role.MUTED)))]


class Alarms(Place):
    """Acknowledge says that it was seen; it ends when its cause is gone."""

    title_text = "Alarms"
    help_text = (
        "What wants somebody, the most urgent first, each with what to do about it. k says that "
        "the chosen one was seen, K that all were. An alarm leaves when its cause is gone."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*ALARM_WAYS)]

    def body(self) -> ComposeResult:
        yield Rows(id="alarms")

    def show(self) -> None:
        rows = self.query_one("#alarms", Rows)
        if not rows.room:
            return
        alarms = self.desk.store.alarms
        made = alarm_rows(alarms, rows.room, time.time_ns())
        unseen = sum(not a.acknowledged for a in alarms)
        words = f" {count_of(len(alarms), 'alarm')}, {unseen} not seen"
        rows.put(made, heading=line(Span(words, Role.MUTED)), stale=not self.desk.store.linked)

    def subject(self, action_id: str) -> str:
        if action_id != "acknowledge":
            return super().subject(action_id)
        chosen = self.query_one("#alarms", Rows).chosen
        waiting = [a.id for a in self.desk.store.alarms if not a.acknowledged]
        return chosen if chosen in waiting else ""

    def on_rows_chosen(self) -> None:
        """Other keys work on another row."""
        self.tick()

    def on_rows_opened(self, event: Rows.Opened) -> None:
        """Enter says that it was seen, as `k` does."""
        if self.subject("acknowledge"):
            self.post_message(AskFor("acknowledge", event.key))
