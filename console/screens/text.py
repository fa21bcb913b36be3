"""Text as the screens draw it: spans of plain text, each with the role that colours it.

Strings from files and wires come in here and leave without control characters; nothing on any
screen is read as markup. Pure, so that what a screen says is tested without a terminal.
"""

from __future__ import annotations

import time
import unicodedata
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from rich.cells import cell_len, set_cell_size

from console.screens.palette import Role


class Span(NamedTuple):
    """A stretch of plain text in one role."""

    text: str
    role: Role = Role.TEXT


Line = tuple[Span, ...]
"""One row of the screen, left to right."""

ELLIPSIS = "…"

# Marks that reorder or hide what follows (bidirectional controls, joiners, soft hyphens) are
# category Cf; they would let a name pass for another.
_DROPPED = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: str) -> str:
    """`text` without what a terminal could take for an order, with single spaces for the gaps."""
    return "".join(
        " " if c in "\t\n\r" else c
        for c in text
        if c in "\t\n\r" or unicodedata.category(c) not in _DROPPED
    )


def fit(text: str, width: int, *, right: bool = False) -> str:
    """Exactly `width` columns of `text`, ending in `…` where some of it had to go."""
    clean = plain(text)
    length = cell_len(clean)
    if length > width:
        return set_cell_size(clean, width - 1) + ELLIPSIS if width > 0 else ""
    return " " * (width - length) + clean if right else clean + " " * (width - length)


def wrap(text: str, width: int) -> list[str]:
    """`text` in lines of at most `width` columns, broken at spaces where there are any."""
    lines: list[str] = []
    current = ""
    for word in plain(text).split():
        while cell_len(word) > width > 0:
            head = word[: max(1, width)]
            lines += [current] if current else []
            current, word = "", word[len(head) :]
            lines.append(head)
        joined = f"{current} {word}" if current else word
        if cell_len(joined) > width:
            lines.append(current)
            joined = word
        current = joined
    return [*lines, current] if current or not lines else lines


def crop(line: Iterable[Span], width: int) -> Line:
    """`line` in exactly `width` columns: padded, or cut with `…` in the role of what was cut."""
    spans = [Span(plain(s.text), s.role) for s in line]
    while spans and not spans[-1].text.strip():
        spans.pop()
    if spans:
        spans[-1] = Span(spans[-1].text.rstrip(), spans[-1].role)
    total = sum(cell_len(s.text) for s in spans)
    if total <= width:
        return (*spans, Span(" " * (width - total)))
    kept: list[Span] = []
    left = width
    for span in spans:
        length = cell_len(span.text)
        if length >= left:
            kept.append(Span(fit(span.text + " ", left), span.role))
            break
        kept.append(span)
        left -= length
    return tuple(kept)


def line(*parts: Span | str) -> Line:
    """A row of spans; bare texts take the ordinary role."""
    return tuple(p if isinstance(p, Span) else Span(p) for p in parts)


def paragraph(text: str, width: int, role: Role = Role.TEXT, indent: str = "") -> list[Line]:
    """`text` as rows of `width` columns, those after the first one set in by `indent`."""
    first, *rest = wrap(text, width - len(indent))
    return [line(Span(indent + first, role)), *(line(Span(indent + r, role)) for r in rest)]


def text_of(rows: Sequence[Line]) -> str:
    """The bare text of `rows`, for reading aloud and for tests."""
    return "\n".join("".join(s.text for s in row).rstrip() for row in rows)


def age(since_wall_ns: int, now_wall_ns: int) -> str:
    """How long ago, in at most four columns: `now`, `45s`, `12m`, `3h`, `20d`; empty for never."""
    if since_wall_ns <= 0:
        return ""
    seconds = (now_wall_ns - since_wall_ns) // 1_000_000_000
    if seconds < 1:
        return "now"
    for limit, size, unit in ((60, 1, "s"), (3600, 60, "m"), (86_400, 3600, "h")):
        if seconds < limit:
            return f"{seconds // size}{unit}"
    return f"{min(seconds // 86_400, 999)}d"


def clock(wall_ns: int, *, seconds: bool = True) -> str:
    """Local time of day, `21:04:12` or `21:04`; empty for never."""
    if wall_ns <= 0:
        return ""
    return time.strftime("%H:%M:%S" if seconds else "%H:%M", time.localtime(wall_ns / 1e9))


def day_and_clock(wall_ns: int) -> str:
    """Local date and time of day, `2026-10-31 21:04:12`; empty for never."""
    if wall_ns <= 0:
        return ""
    return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(wall_ns / 1e9))


def count_of(n: int, thing: str) -> str:
    """`1 prop`, `3 props`."""
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"


def bar(part: float, width: int) -> str:
    """`part` of 1 as a bar of `width` columns, in eighths of a column."""
    eighths = round(max(0.0, min(1.0, part)) * width * 8)
    full, rest = divmod(eighths, 8)
    return ("█" * full + (" ▏▎▍▌▋▊▉"[rest] if rest else "")).ljust(width, "·")[:width]
