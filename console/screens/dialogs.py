"""The questions: a second key, a choice, a form, and texts to read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input

from console.screens.base import Dialog
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, Span, line, paragraph, plain
from console.screens.tour_line import TourLine

_NO = Binding("escape", "no", "No", id="dialog.no", tooltip="Close without asking anything.")


ROWS_AROUND = 8
"""Rows of the terminal that a list in a dialog leaves to what stands around it."""


def limit_height(rows: Rows, count: int) -> None:
    """Let a list be as high as its rows, as far as the terminal has room; it scrolls beyond."""
    tour = sum(len(t.lines) for t in rows.screen.query(TourLine) if t.display)
    height = max(3, min(count, rows.app.size.height - ROWS_AROUND - tour))
    if rows.styles.height is None or rows.styles.height.value != height:
        rows.styles.height = height


class Paragraphs(Lines):
    """Texts broken to the width of the dialog."""

    def __init__(self, title: str, texts: Sequence[str], role: Role = Role.TEXT) -> None:
        super().__init__()
        self._title = title
        self._texts = list(texts)
        self._role = role

    def put(self, texts: Sequence[str]) -> None:
        """Say something else."""
        self._texts = list(texts)
        self.tick()

    def make(self, width: int) -> list[Line]:
        rows = paragraph(self._title, width, Role.STRONG) if self._title else []
        for text in self._texts:
            rows += paragraph(text, width, self._role) if text else [()]
        return rows


class Confirm(Dialog[bool]):
    """One more key, on purpose another one: a key that bounces or is held must not confirm.

    It answers no by itself after `patience_s`.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "yes", "Yes", id="dialog.yes", tooltip="Ask for it."),
        _NO,
    ]

    def __init__(
        self, desk: Desk, title: str, texts: Sequence[str], *, patience_s: float | None = None
    ) -> None:
        super().__init__(desk, title)
        self._texts = texts
        self._patience_s = patience_s

    def body(self) -> ComposeResult:
        yield Paragraphs(self.title_text, self._texts)

    def on_mount(self) -> None:
        """Begin to wait."""
        if self._patience_s is not None:
            self.set_timer(self._patience_s, self.action_no)

    def action_yes(self) -> None:
        """Confirm."""
        self.dismiss(True)

    def action_no(self) -> None:
        """Do not."""
        if self.is_current:
            self.dismiss(False)


class Choice(NamedTuple):
    """One thing to choose: what is handed back, and what is shown."""

    key: str
    text: str


class Choose(Dialog[str | None]):
    """One of several, by arrows and Enter or by its number."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "take", "Choose", id="dialog.take", tooltip="Take the marked one."),
        _NO,
        *(
            Binding(
                str(n),
                f"number({n})",
                f"Number {n}",
                show=False,
                id=f"dialog.number-{n}",
                tooltip="Take the one with this number.",
            )
            for n in range(1, 10)
        ),
    ]

    def __init__(
        self, desk: Desk, title: str, choices: Sequence[Choice], texts: Sequence[str] = ()
    ) -> None:
        super().__init__(desk, title)
        self._choices = choices
        self._texts = texts

    def body(self) -> ComposeResult:
        yield Paragraphs(self.title_text, self._texts)
        yield Rows(id="choices")

    def on_mount(self) -> None:
        """Fill the list. The number stands before each of the first nine."""
        rows = self.query_one(Rows)
        rows.put(
            [
                Row(line(Span(f" {n} " if n < 10 else "   ", Role.KEY), choice.text), str(n))
                for n, choice in enumerate(self._choices, 1)
            ]
        )
        self.focus_first(rows)

    def show(self) -> None:
        limit_height(self.query_one(Rows), len(self._choices))

    def on_rows_opened(self, event: Rows.Opened) -> None:
        """Enter or a click."""
        self.action_number(int(event.key))

    def action_take(self) -> None:
        """The one under the cursor."""
        if chosen := self.query_one(Rows).chosen:
            self.action_number(int(chosen))

    def action_number(self, number: int) -> None:
        """The one with this number."""
        if number <= len(self._choices):
            self.dismiss(self._choices[number - 1].key)

    def action_no(self) -> None:
        """None of them."""
        self.dismiss(None)


class Field(NamedTuple):
    """One line to fill in. `wanted` fields must not stay empty, `secret` ones show dots."""

    name: str
    label: str
    value: str = ""
    wanted: bool = True
    secret: bool = False


class Form(Dialog[dict[str, str] | None]):
    """A few lines to fill in, then Enter on the last one. It hands back plain texts."""

    BINDINGS: ClassVar[list[BindingType]] = [_NO]

    def __init__(
        self, desk: Desk, title: str, texts: Sequence[str], fields: Sequence[Field]
    ) -> None:
        super().__init__(desk, title)
        self._texts = texts
        self._fields = fields

    def body(self) -> ComposeResult:
        yield Paragraphs(self.title_text, self._texts)
        for field in self._fields:
            yield Paragraphs("", [field.label], Role.MUTED)
            yield Input(
                value=plain(field.value),
                id=f"field-{field.name}",
                max_length=120,
                password=field.secret,
            )
        yield Paragraphs(
            "", ["Enter goes on from line to line and then asks. Esc: no."], Role.MUTED
        )

    def on_mount(self) -> None:
        """Begin at the first line that is still empty."""
        inputs = list(self.query(Input))
        empty = next((i for i in inputs if not i.value), inputs[0])
        self.focus_first(empty)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """On to the next line that needs something, or done."""
        values = {f.name: self._value(f.name) for f in self._fields}
        for field in self._fields:
            if field.wanted and not values[field.name]:
                self.query_one(f"#field-{field.name}", Input).focus()
                return
        inputs = list(self.query(Input))
        if event.input is not inputs[-1]:
            inputs[inputs.index(event.input) + 1].focus()
            return
        self.dismiss(values)

    def on_paste(self, event: events.Paste) -> None:
        """Pasted control characters would end in the ledger."""
        event.text = plain(event.text)

    def _value(self, name: str) -> str:
        return plain(self.query_one(f"#field-{name}", Input).value).strip()

    def action_no(self) -> None:
        """Nothing is asked."""
        self.dismiss(None)


class Read(Dialog[None]):
    """Rows to read, scrolled with the arrows."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q,enter", "no", "Close", id="dialog.no", tooltip="Back to the screen.")
    ]

    def __init__(self, desk: Desk, title: str) -> None:
        super().__init__(desk, title)
        self._width = 0

    def body(self) -> ComposeResult:
        yield Paragraphs(self.title_text, [])
        yield Rows(id="read")

    def make(self, width: int) -> list[Line]:
        """The rows for a list this wide."""
        raise NotImplementedError

    def show(self) -> None:
        rows = self.query_one("#read", Rows)
        width = rows.room
        if not width:
            return
        made = self.make(width)
        limit_height(rows, len(made))
        rows.put([Row(row) for row in made])

    def on_mount(self) -> None:
        """The arrows scroll the list."""
        self.focus_first(self.query_one("#read", Rows))

    def action_no(self) -> None:
        """Close."""
        self.dismiss(None)
