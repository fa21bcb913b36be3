"""Why a prop cannot be armed or fired: every check that fails, standing, with what to do."""

from __future__ import annotations

from console.screens.desk import Desk, Notice
from console.screens.dialogs import Read
from console.screens.palette import Role
from console.screens.text import Line, Span, line, paragraph
from console.views.models import PropView, Refusal


class Why(Read):
    """Follows the prop while it is open: what was put right leaves the list by itself."""

    def __init__(self, desk: Desk, prop: str) -> None:
        super().__init__(desk, "Why not?")
        self._prop = prop

    def make(self, width: int) -> list[Line]:
        prop = self.desk.store.prop(self._prop)
        if prop is None:
            return [line("The engine does not know this prop any more.")]
        rows: list[Line] = [line(Span(prop.title or prop.name, Role.STRONG))]
        return rows + why_lines(prop, width)


class LastAnswer(Read):
    """The last answer in full, as it was given."""

    def __init__(self, desk: Desk, notice: Notice) -> None:
        super().__init__(desk, notice.title)
        self._notice = notice

    def make(self, width: int) -> list[Line]:
        rows: list[Line] = []
        for where, refusal in self._notice.refusals:
            rows += _refusal(refusal, width, f"{where}: " if where else "")
        return rows


def why_lines(prop: PropView, width: int) -> list[Line]:
    """Both lists of one prop: what keeps it from being armed, and from being fired."""
    rows: list[Line] = []
    for verb, refusals in (("armed", prop.arm_refusals), ("fired", prop.fire_refusals)):
        if not refusals:
            rows.append(line(Span(f"Nothing keeps it from being {verb}.", Role.MUTED)))
            continue
        rows.append(line(Span(f"It cannot be {verb}:", Role.TEXT)))
        for refusal in refusals:
            rows += _refusal(refusal, width, "")
    return rows


def _refusal(refusal: Refusal, width: int, subject: str) -> list[Line]:
    rows = paragraph(f"{subject}{refusal.reason}", width, Role.NOTE, "  ")
    return rows + paragraph(f"→ {refusal.remedy}", width, Role.TEXT, "    ")
