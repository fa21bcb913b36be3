"""The colours, each with the words it goes with: normal is muted, colour is for the abnormal.

No colour says anything alone: beside each stands a glyph or a word. Contrast is kept by a test
(WCAG 2.x: 4.5 to 1 for text, 3 to 1 for the rest). Nothing is red on yellow.
"""

from __future__ import annotations

from enum import StrEnum

from rich.style import Style
from textual.theme import Theme

GROUND = "#12171d"
RAISED = "#1c242c"
CHOSEN = "#283743"
STOP_GROUND = "#5b2a86"
STOP_LATCHED = "#efe6f7"
STALE = "#8a96a1"


class Role(StrEnum):
    """What a stretch of text is there for; decides its colour and weight."""

    TEXT = "text"  # ordinary
    MUTED = "muted"  # normal, nothing to look at
    STRONG = "strong"  # a heading or a name
    LIVELY = "lively"  # something moves
    NOTE = "note"  # worth knowing
    WARN = "warn"  # will need somebody
    BAD = "bad"  # needs somebody now
    STOP = "stop"  # part of the all-stop
    ASKED = "asked"  # asked for and not confirmed
    KEY = "key"  # a key to press
    LABEL = "label"  # the part of the all-stop bar that can be clicked
    PLAIN = "plain"  # as the ground it stands on says


_INK: dict[Role, tuple[str, bool, bool]] = {
    Role.TEXT: ("#c9d2da", False, False),
    Role.MUTED: ("#9aa7b3", False, False),
    Role.STRONG: ("#e8edf1", True, False),
    Role.LIVELY: ("#e8edf1", True, False),
    Role.NOTE: ("#8cc2ee", False, False),
    Role.WARN: ("#f0b45a", False, False),
    Role.BAD: ("#ff9d94", True, False),
    Role.STOP: ("#d7b3f5", True, False),
    Role.ASKED: ("#8cc2ee", False, True),
    Role.KEY: ("#e8edf1", True, False),
}

INKS: dict[Role, str] = {role: ink for role, (ink, _, _) in _INK.items()}
"""The colour of each role's text."""

STYLES: dict[Role, Style] = {
    Role.LABEL: Style(color="#ffffff", bgcolor=STOP_GROUND, bold=True),
    Role.PLAIN: Style(),
    **{role: Style(color=ink, bold=bold, italic=tilt) for role, (ink, bold, tilt) in _INK.items()},
}
"""The style of each role, on whatever ground it is drawn."""

PAIRS: tuple[tuple[str, str, float], ...] = (
    *((ink, ground, 4.5) for ink in INKS.values() for ground in (GROUND, RAISED, CHOSEN)),
    ("#ffffff", STOP_GROUND, 4.5),
    (STOP_GROUND, STOP_LATCHED, 4.5),
    (STALE, GROUND, 4.5),
    (STOP_LATCHED, GROUND, 3.0),
)
"""Every pair of colours that meets on a screen, with the contrast that it must have."""

THEME = Theme(
    name="sexton",
    primary="#8cc2ee",
    secondary="#9aa7b3",
    accent="#8cc2ee",
    foreground=INKS[Role.TEXT],
    background=GROUND,
    surface=RAISED,
    panel=RAISED,
    warning=INKS[Role.WARN],
    error=INKS[Role.BAD],
    success=INKS[Role.NOTE],
    dark=True,
    variables={
        "chosen": CHOSEN,
        "stop-ground": STOP_GROUND,
        "stop-latched": STOP_LATCHED,
        "muted": INKS[Role.MUTED],
        "input-cursor-background": INKS[Role.STRONG],
        "input-cursor-foreground": GROUND,
        "input-selection-background": CHOSEN,
        "scrollbar": "#4a5a69",
        "scrollbar-background": GROUND,
        "scrollbar-corner-color": GROUND,
    },
)


def luminance(colour: str) -> float:
    """Relative luminance of `#rrggbb`, 0 to 1 (WCAG 2.x, definition of relative luminance)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.x, definition of contrast ratio)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)
