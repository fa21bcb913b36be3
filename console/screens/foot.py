"""The rows above the all-stop bar: the last answer, and the keys that work now."""

from __future__ import annotations

from textual import events
from textual.binding import Binding
from textual.widgets import Input

from console.screens.bindings import ORDER, key_name, prints
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.text import Line, Span, count_of, line, paragraph


class Answered(Lines):
    """The last refusal, with reason and remedy. It stands until it is answered or dismissed."""

    def __init__(self, desk: Desk) -> None:
        super().__init__(id="answered")
        self._desk = desk

    def tick(self) -> None:
        """Take room only while there is something to read."""
        self.display = self._desk.notice is not None
        super().tick()

    def make(self, width: int) -> list[Line]:
        notice = self._desk.notice
        if notice is None:
            return []
        height = self.app.size.height
        room = 2 if height < 20 else 4 if height < 34 else 8
        rows = [
            line(Span(f" {notice.title}", Role.WARN), Span("  Esc takes this away", Role.MUTED))
        ]
        for where, refusal in notice.refusals:
            subject = f"{where}: " if where else ""
            text = f"{subject}{refusal.reason} → {refusal.remedy}"
            rows += paragraph(text, width, Role.TEXT, "   ")
        if len(rows) > room:
            left = len(rows) - room + 1
            rows = [
                *rows[: room - 1],
                line(Span(f"   … {count_of(left, 'row')} more: W", Role.NOTE)),
            ]
        return rows


class Keys(Lines):
    """The keys that would do something now, as many as there is room for."""

    def __init__(self) -> None:
        super().__init__(id="keys")
        self._spots: list[tuple[int, int, str]] = []

    def usable(self) -> list[Binding]:
        """Bindings with an id that work at this moment, in the order of the tables."""
        typing = isinstance(self.screen.focused, Input)
        found: dict[str, Binding] = {}
        for active in self.screen.active_bindings.values():
            binding = active.binding
            if not binding.id or not active.enabled or not binding.show:
                continue
            if typing and prints(binding.key):
                continue
            found.setdefault(binding.id, binding)
        rank = {id: n for n, id in reversed(list(enumerate(ORDER)))}
        return sorted(found.values(), key=lambda b: rank.get(b.id or "", -1))

    def make(self, width: int) -> list[Line]:
        bindings = self.usable()
        more = next((b for b in bindings if b.id == "see.help"), None)
        tail = f" {key_name(more.key)} more" if more else ""
        spans: list[Span] = []
        self._spots = []
        used = 0
        for number, binding in enumerate(b for b in bindings if b is not more):
            key, title = key_name(binding.key), binding.description
            length = len(key) + len(title) + 3
            last = number == len(bindings) - (2 if more else 1)
            if used + length > width - (0 if last and not more else len(tail) + 2):
                spans.append(Span("…", Role.MUTED))
                break
            spans += [Span(f" {key}", Role.KEY), Span(f" {title} ", Role.MUTED)]
            self._spots.append((used, used + length, binding.action))
            used += length
        if more:
            spans += [Span(f" {key_name(more.key)}", Role.KEY), Span(" more", Role.MUTED)]
            self._spots.append((used + 1, width, more.action))
        return [tuple(spans)]

    async def on_click(self, event: events.Click) -> None:
        """A click on a key's words presses it."""
        for start, end, action in self._spots:
            if start <= event.x < end:
                await self.app.run_action(action, self.screen)
                return
