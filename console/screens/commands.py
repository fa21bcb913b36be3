"""The command palette: every key that works now, found by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.fuzzy import FuzzySearch
from textual.widgets import Input

from console.screens.base import Dialog
from console.screens.bindings import STOP_KEYS, key_name, ways
from console.screens.desk import Desk
from console.screens.dialogs import Paragraphs, limit_height
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Span, fit, line


class Commands(Dialog[str | None]):
    """Type a part of a name, Enter runs what is marked. It hands back the action to run.

    Our own and not the framework's, which has no place for the all-stop bar.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "no", "Close", id="dialog.no", tooltip="Run nothing."),
        Binding("down", "step(1)", "Down", id="commands.down", tooltip="The next one."),
        Binding("up", "step(-1)", "Up", id="commands.up", tooltip="The one before."),
    ]

    def __init__(self, desk: Desk, bindings: Sequence[Binding]) -> None:
        super().__init__(desk, "Commands")
        self._usable = [ways(STOP_KEYS[0])[0], *bindings]

    def body(self) -> ComposeResult:
        yield Paragraphs(self.title_text, [])
        yield Input(placeholder="a part of its name", id="part")
        yield Rows(id="found")

    def on_mount(self) -> None:
        """List everything to begin with."""
        rows = self.query_one(Rows)
        rows.can_focus = False
        self._list("")
        self.focus_first(self.query_one(Input))

    def show(self) -> None:
        limit_height(self.query_one(Rows), len(self._usable))

    def on_input_changed(self, event: Input.Changed) -> None:
        """Narrow the list."""
        self._list(event.value)

    def _list(self, part: str) -> None:
        search = FuzzySearch()
        scored = [
            (search.match(part, f"{b.description} {b.tooltip}")[0] if part else 1.0, -n, b)
            for n, b in enumerate(self._usable)
        ]
        found = [b for score, _, b in sorted(scored, key=lambda s: s[:2], reverse=True) if score]
        none = [Row(line(Span(" Nothing has that name.", Role.MUTED)))]
        rows = self.query_one(Rows)
        rows.put(
            [
                Row(
                    line(
                        Span(f" {fit(b.description, 24)}"),
                        Span(f"{fit(key_name(b.key), 7)}", Role.KEY),
                        Span(b.tooltip, Role.MUTED),
                    ),
                    b.action,
                )
                for b in found
            ]
            or none
        )
        rows.action_end(0)

    def action_step(self, by: int) -> None:
        """Move the mark while the input keeps the focus."""
        self.query_one(Rows).action_step(by)

    def on_input_submitted(self) -> None:
        """Run what is marked."""
        self.dismiss(self.query_one(Rows).chosen or None)

    def on_rows_opened(self, event: Rows.Opened) -> None:
        """A click on what is marked runs it too."""
        self.dismiss(event.key)

    def action_no(self) -> None:
        """Run nothing."""
        self.dismiss(None)
