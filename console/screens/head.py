"""The rows at the top of every screen: the site, and what wants somebody."""

from __future__ import annotations

import time

from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.text import Line, Span, age, clock, count_of, crop, line
from console.views.models import AlarmView, Priority

PRIORITY_ROLES = {Priority.URGENT: Role.BAD, Priority.SOON: Role.WARN, Priority.NOTICE: Role.NOTE}
PRIORITY_GLYPHS = {Priority.URGENT: "▲", Priority.SOON: "△", Priority.NOTICE: "·"}


class Header(Lines):
    """Site, night, screen and time of day."""

    def __init__(self, desk: Desk, title: str) -> None:
        super().__init__(id="header")
        self._desk = desk
        self.title = title

    def make(self, width: int) -> list[Line]:
        site = self._desk.store.site
        parts: list[Span | str] = [" ", Span(self.title, Role.STRONG), "  "]
        parts.append(Span(site.name or "no site yet", Role.TEXT))
        if site.demo:
            parts.append(Span(f"  {site.mark or 'DEMO'}", Role.NOTE))
        if site.night is None:
            parts.append(Span("  no night open", Role.MUTED))
        else:
            opened = clock(site.night_opened_wall_ns, seconds=False)
            parts.append(Span(f"  night {site.night} since {opened}", Role.MUTED))
        at = f" {clock(time.time_ns())} "
        return [(*crop(parts_of(parts), max(0, width - len(at))), Span(at, Role.MUTED))]


def parts_of(parts: list[Span | str]) -> Line:
    """Bare texts and spans as one row."""
    return line(*parts)


class Strip(Lines):
    """The engine's silence, the ledger's trouble, or the alarm to act on first, with its remedy.

    One row on low screens, two on others; always as high, so that nothing jumps.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__(id="strip")
        self._desk = desk

    def make(self, width: int) -> list[Line]:
        first, second = self._words()
        if self.app.size.height >= 20:
            return [first, second]
        if second and first:
            return [(*first, Span(" → "), *(s for s in second if s.text.strip("→ ")))]
        return [first]

    def _words(self) -> tuple[Line, Line]:
        store = self._desk.store
        if not store.linked:
            return self._silence()
        site = store.site
        if site.ledger_trouble:
            held = site.cycles_boards_can_hold
            room = f"; the boards can hold {held} more cycles" if held is not None else ""
            return (
                line(Span(f" ▲ LEDGER: {site.ledger_trouble}{room}", Role.BAD)),
                line(Span("   → Free some disk space. Props go on; nothing is lost yet.")),
            )
        waiting = [a for a in store.alarms if not a.acknowledged]
        if not waiting:
            seen = len(store.alarms)
            words = f"{count_of(seen, 'alarm')}, all seen (3 lists them)" if seen else "no alarms"
            return line(Span(f" {words}", Role.MUTED)), self._offer()
        first = waiting[0]
        return alarm_lines(first, f" 1 of {len(waiting)}" if len(waiting) > 1 else "")

    def _offer(self) -> Line:
        names = self._desk.store.site.rearm
        if not names or self._desk.store.stop.latched:
            return ()
        return line(
            Span(" Armed before: "), Span(count_of(len(names), "prop")), Span(". "),
            Span("r", Role.KEY), Span(" arms them again."),
        )  # fmt: skip

    def _silence(self) -> tuple[Line, Line]:
        desk = self._desk
        if not desk.store.revision or not desk.store.entities:
            return line(Span(" Looking for the engine…", Role.WARN)), ()
        silent = int(desk.store.silent_s)
        why = f" ({desk.store.trouble})" if desk.store.trouble else ""
        return (
            line(Span(f" ▲ ENGINE NOT HEARD for {silent} s: what you see is old{why}", Role.BAD)),
            line(Span("   → Props disarm themselves without it. Trying again all the time.")),
        )


def alarm_lines(alarm: AlarmView, place: str = "") -> tuple[Line, Line]:
    """An alarm in two rows: what is wrong, and what to do; `place` says which of how many."""
    glyph, role = PRIORITY_GLYPHS[alarm.priority], PRIORITY_ROLES[alarm.priority]
    times = f" ×{alarm.count}" if alarm.count > 1 else ""  # noqa: RUF001
    ago = age(alarm.since_wall_ns, time.time_ns())
    return (
        line(
            Span(f" {glyph} {alarm.priority.value}{place}: {alarm.text}{times}", role),
            Span(f" {ago}", Role.MUTED),
        ),
        line(Span(f"   → {alarm.remedy}")),
    )
