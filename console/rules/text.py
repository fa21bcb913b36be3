"""Text that came over a wire, made safe to keep and to show."""

from __future__ import annotations


def plain(text: str, longest: int = 200) -> str:
    """`text` without control characters and no longer than `longest` characters."""
    return "".join(c if c.isprintable() else "�" for c in text)[:longest]
