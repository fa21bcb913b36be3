"""Where the all-stop bar lies on the terminal and what it says.

Standard library only: the key guard, which must answer while the console is stuck, and the screens,
which draw the bar, read the same numbers, so that a click means the same to both.
"""

from __future__ import annotations

import json

LABEL = " ALL-STOP  F9 or Ctrl+X "
"""The part of the bar that can be clicked: the first columns of the bottom row, always."""

LABEL_COLUMNS = len(LABEL)
"""Columns 0 to this one, less one, belong to the label."""

STOP_BYTE = b"\x18"
"""What a stop socket acts on, before it parses anything."""


def on_label(column: int, row: int, rows: int) -> bool:
    """Whether a click at (`column`, `row`), counted from 0, meets the label on `rows` rows."""
    return row == rows - 1 and 0 <= column < LABEL_COLUMNS


def stop_line(source: str, by: str) -> bytes:
    """What is written to a stop socket: the byte that stops, then who and how as one JSON line.

    `source` is, for example, `key F9` or `click`; both texts are plain.
    """
    return STOP_BYTE + json.dumps({"source": source, "by": by}).encode() + b"\n"
