"""One prop's page as rows. Pure."""

from __future__ import annotations

from console.screens.floor_lines import GLYPHS, detail_lines
from console.screens.palette import Role
from console.screens.text import Line, Span, bar, clock, fit, line, paragraph
from console.screens.why import why_lines
from console.views.models import PropState, PropView, SequenceView


def elapsed_ms(prop: PropView, now_ns: int) -> int | None:
    """How long the running cycle has gone on, None while none runs."""
    if prop.state is not PropState.RUNNING or not prop.state_since_wall_ns:
        return None
    return max(0, (now_ns - prop.state_since_wall_ns) // 1_000_000)


def head_lines(prop: PropView, width: int, now_ns: int, quick_s: float) -> list[Line]:
    """State, flags, fault, facts, and whether a fire needs a second key."""
    first, *rest = detail_lines(prop, width, now_ns)
    if quick_s <= 0:
        return [first, *rest]
    quick = line(Span(f"  f fires with one key for {int(quick_s) + 1} s more", Role.WARN))
    return [first, quick, *rest]


def sequence_lines(prop: PropView, width: int, now_ns: int) -> list[Line]:
    """Every sequence step by step; the one that runs first, with its bar."""
    running = prop.running_sequence if prop.state is PropState.RUNNING else ""
    first = running or prop.sequence
    rows: list[Line] = []
    for sequence in sorted(prop.sequences, key=lambda s: s.name != first):
        gone = elapsed_ms(prop, now_ns) if sequence.name == running else None
        rows += [*_sequence(sequence, prop, gone, width), ()]
    return rows or [line(Span("No sequences known.", Role.MUTED))]


def _sequence(
    sequence: SequenceView, prop: PropView, gone_ms: int | None, width: int
) -> list[Line]:
    marks = []
    if sequence.name == prop.sequence:
        marks.append("active")
    if sequence.name == prop.asked_sequence and sequence.name != prop.sequence:
        marks.append("asked for…")
    rows: list[Line] = [
        line(
            Span(sequence.name, Role.STRONG),
            Span(f" {', '.join(marks)}" if marks else "", Role.NOTE),
            Span(f" {sequence.strength}, {sequence.length_ms / 1000:.2f} s", Role.MUTED),
        )
    ]
    if gone_ms is not None:
        done = min(gone_ms, sequence.length_ms)
        times = f" {done / 1000:.1f} of {sequence.length_ms / 1000:.1f} s"
        part = done / sequence.length_ms if sequence.length_ms else 1.0
        rows.append(line(Span(bar(part, max(8, width - len(times))), Role.LIVELY), Span(times)))
    for at_ms, output, on in sequence.steps:
        past = gone_ms is not None and at_ms <= gone_ms
        mark = "»" if past else " "
        role = Role.LIVELY if past else Role.TEXT
        rows.append(
            line(
                Span(f" {mark} {at_ms / 1000:6.2f} s ", Role.MUTED),
                Span(f"{'on ' if on else 'off'} {output}", role),
            )
        )
    return rows


def point_lines(prop: PropView, width: int) -> list[Line]:
    """Outputs and sensors, live."""
    rows: list[Line] = [line(Span("Outputs and sensors", Role.STRONG))]
    name_width = max(8, width - 24)
    for point in prop.points:
        strokes = f"{point.strokes} strokes" if point.strokes is not None else ""
        rows.append(
            line(
                Span(f" {'●' if point.on else '○'} {'on ' if point.on else 'off'} ",
                     Role.LIVELY if point.on else Role.MUTED),
                Span(fit(f"{point.name} ({point.kind})", name_width)),
                Span(f" {strokes}", Role.MUTED),
            )
        )  # fmt: skip
    if not prop.points:
        rows.append(line(Span(" none known", Role.MUTED)))
    return rows


def cycle_lines(prop: PropView, width: int) -> list[Line]:
    """The last cycles, newest first."""
    rows: list[Line] = [line(Span("Last cycles", Role.STRONG))]
    for cycle in sorted(prop.last_cycles, key=lambda c: -c.number):
        travels = "".join(f", {motion} {way} {ms} ms" for motion, way, ms in cycle.travels)
        words = f" {clock(cycle.started_wall_ns)} {cycle.sequence} by {cycle.trigger}, "
        role = Role.MUTED if cycle.outcome == "done" else Role.WARN
        rows.append(line(Span(words), Span(cycle.outcome, role)))
        more = f"#{cycle.number}, {cycle.duration_ms / 1000:.1f} s{travels}"
        rows += paragraph(more, width, Role.MUTED, "   ")
    if not prop.last_cycles:
        rows.append(line(Span(" none yet", Role.MUTED)))
    return rows


def side_lines(prop: PropView, width: int) -> list[Line]:
    """What stands beside the sequences."""
    rows = [*point_lines(prop, width), ()]
    rows += [line(Span("Why not?", Role.STRONG)), *why_lines(prop, width), ()]
    return [*rows, *cycle_lines(prop, width)]


def title_of(prop: PropView) -> str:
    """Name and state in words, for the head of the page."""
    return f"{prop.title or prop.name} {GLYPHS[prop.state][0]} {prop.state.value}"
