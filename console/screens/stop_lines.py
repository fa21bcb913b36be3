"""The all-stop's own screen as rows. Pure."""

from __future__ import annotations

from console.screens.palette import Role
from console.screens.rows import Row
from console.screens.store import Store
from console.screens.text import Line, Span, clock, count_of, fit, line, paragraph
from console.views.models import Confirmation, LinkState, StopProgress

CAUTIONS: tuple[str, ...] = (
    "The times run to the controllers' answers. Valve and cylinder add 50 to 500 ms.",
    "This is a software function. It replaces no hardwired stop and no guard.",
)
"""What this screen never leaves out."""

_MARKS: dict[StopProgress, tuple[str, Role]] = {
    StopProgress.SENT: ("… sent, no answer yet", Role.ASKED),
    StopProgress.CONFIRMED: ("■ confirmed", Role.STOP),
    StopProgress.NOT_CONFIRMED: ("▲ NOT CONFIRMED: close its air by hand", Role.BAD),
    StopProgress.LEFT_OUT: ("· left out, its air closed by hand", Role.WARN),
}


def summary_lines(store: Store, width: int) -> list[Line]:
    """Latched or not, by whom and since when, and what it is not."""
    stop = store.stop
    rows: list[Line] = []
    if not stop.latched:
        rows += paragraph("No all-stop is latched.", width, Role.STRONG)
        if stop.strays:
            text = f"▲ Still stopped by themselves: {', '.join(stop.strays)}. c clears them."
            rows += paragraph(text, width, Role.WARN)
    else:
        sure = sum(c.progress is StopProgress.CONFIRMED for c in stop.confirmations)
        by = f" ({stop.by})" if stop.by else ""
        sent = f", on every line after {stop.sent_ms:.1f} ms" if stop.sent_ms is not None else ""
        text = f"ALL-STOP latched at {clock(stop.at_wall_ns)} by {stop.source}{by}{sent}."
        rows += paragraph(text, width, Role.STOP)
        of = len(stop.confirmations)
        rows += paragraph(f"{sure} of {count_of(of, 'controller')} confirmed.", width, Role.STRONG)
    return rows


def warning_lines(store: Store, width: int) -> list[Line]:
    """What moves or holds although all is off, and what keeps the stop from being cleared."""
    stop = store.stop
    rows: list[Line] = []
    for warning in stop.warnings:
        rows += paragraph(f"▲ {warning}", width, Role.WARN, " ")
    for refusal in stop.clear_refusals if stop.latched else ():
        text = f"Cannot be cleared yet: {refusal.reason} → {refusal.remedy}"
        rows += paragraph(text, width, Role.NOTE, " ")
    return rows


def caution_lines(width: int) -> list[Line]:
    """What the software cannot do."""
    return [row for text in CAUTIONS for row in paragraph(text, width, Role.MUTED)]


def controller_rows(store: Store, width: int) -> list[Row]:
    """One row a controller: what became of the stop there; before one, how it is linked."""
    name = min(24, max(12, width // 4))
    if store.stop.latched:
        order = (StopProgress.NOT_CONFIRMED, StopProgress.SENT)
        ranked = sorted(
            store.stop.confirmations,
            key=lambda c: order.index(c.progress) if c.progress in order else len(order),
        )
        return [row for c in ranked for row in _confirmation(c, name, width)]
    rows = []
    for c in store.controllers:
        role = Role.MUTED if c.link is LinkState.LIVE else Role.WARN
        open_ = "  ▲ stop input open" if c.stop_input_open else ""
        link = f"{c.link.value:<10} {c.quality * 100:3.0f}% {c.round_trip_ms:5.1f} ms"
        rows.append(
            Row(
                line(
                    Span(fit(f" {c.name}", name), Role.TEXT),
                    Span(f" {link}", role),
                    Span(open_, Role.BAD),
                    Span(f"  {c.where}", Role.MUTED),
                    Span(f"  {c.message}" if c.message else "", Role.NOTE),
                ),
                c.name,
            )
        )
    return rows


def _confirmation(c: Confirmation, name: int, width: int) -> list[Row]:
    words, role = _MARKS[c.progress]
    took = f" after {c.ms:.0f} ms" if c.ms is not None else ""
    where = f"  {c.where}" if c.where else ""
    whole = line(
        Span(fit(f" {c.controller}", name), Role.STRONG),
        Span(f" {words}{took}", role),
        Span(where, Role.TEXT if role is Role.BAD else Role.MUTED),
    )
    if sum(len(s.text) for s in whole) <= width or not where:
        return [Row(whole, c.controller)]
    # Where it stands is what somebody runs to: a row of its own rather than an ellipsis.
    return [Row(whole[:2], c.controller), Row(line(Span(f"   stands {c.where}")))]


def heading(store: Store, width: int) -> Line:
    """What the rows say."""
    name = min(24, max(12, width // 4))
    words = "the all-stop there" if store.stop.latched else "link       good  round trip"
    return line(Span(fit(" controller", name), Role.MUTED), Span(f" {words}", Role.MUTED))
