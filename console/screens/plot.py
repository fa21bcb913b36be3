"""Plots in rows of text: columns of eighths with a scale beside them. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from console.screens.palette import Role
from console.screens.text import Line, Span, line

_EIGHTHS = " ▁▂▃▄▅▆▇█"


def columns(values: Sequence[float], low: float, high: float, height: int) -> list[str]:
    """One column a value, `height` rows, top first; values outside are cut at the edges."""
    span = high - low or 1.0
    eighths = [
        max(0, min(height * 8, round((value - low) / span * height * 8))) for value in values
    ]
    return [
        "".join(_EIGHTHS[max(0, min(8, e - row * 8))] for e in eighths)
        for row in reversed(range(height))
    ]


def resampled(points: Sequence[tuple[float, float]], columns_: int) -> list[float]:
    """The last value known in each of `columns_` equal spans of time; points oldest first."""
    if not points or columns_ < 1:
        return []
    start, end = points[0][0], points[-1][0]
    step = (end - start) / columns_ or 1.0
    values: list[float] = []
    at, last = 0, points[0][1]
    for column in range(columns_):
        until = start + (column + 1) * step
        while at < len(points) and points[at][0] <= until + 1e-9:
            last = points[at][1]
            at += 1
        values.append(last)
    return values


def plot_rows(
    values: Sequence[float], low: float, high: float, height: int, *, unit: str
) -> list[Line]:
    """The columns with a scale on the left: `high` at the top, `low` at the bottom."""
    rows = columns(values, low, high, height)
    labels = {0: f"{high:.0f} {unit}", height - 1: f"{low:.0f} {unit}"}
    room = max(len(label) for label in labels.values())
    return [
        line(Span(f" {labels.get(n, ''):>{room}} ", Role.MUTED), Span(row, Role.NOTE))
        for n, row in enumerate(rows)
    ]
