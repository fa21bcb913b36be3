"""What is wrong with a site file, where, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from console.errors import UserError

_WIDTH = 96
"""Characters of a source line that are shown around the caret."""


class Severity(StrEnum):
    """How much a finding matters."""

    PROBLEM = "problem"  # the site cannot run like this
    WARNING = "warning"  # it runs, but somebody should look at it


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding. `line` and `column` count from 1; line 0 means the file as a whole."""

    file: str
    line: int
    column: int
    message: str
    remedy: str
    severity: Severity = Severity.PROBLEM
    source: str = ""
    """The line of the file, without its end."""

    @property
    def head(self) -> str:
        """`file:line:column: message`, plain text on one line."""
        mark = "warning: " if self.severity is Severity.WARNING else ""
        if self.line == 0:
            return plain(f"{self.file}: {mark}{self.message}; {self.remedy}")
        return plain(f"{self.file}:{self.line}:{self.column}: {mark}{self.message}")

    def text(self) -> str:
        """The head, the line with a caret under the place, and the remedy."""
        if self.line == 0:
            return self.head
        start = 0 if self.column <= _WIDTH else self.column - _WIDTH // 2
        shown = plain(self.source[start : start + _WIDTH])
        caret = " " * (self.column - 1 - start) + "^"
        return f"{self.head}\n    {shown}\n    {caret}\n  {plain(self.remedy)}"

    def as_dict(self) -> dict[str, str | int]:
        """What `sexton check --json` prints of it."""
        return {
            "file": self.file,
            "line": self.line,
            "column": self.column,
            "severity": self.severity.value,
            "message": self.message,
            "remedy": self.remedy,
            "source": self.source,
        }


class SiteProblems(UserError):
    """A site file that cannot be used, with every problem that was found in it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        more = len(self.problems) - 1
        super().__init__(
            first.head,
            (first.remedy if first.line else "")
            + (f" ({more} more; `sexton check {first.file}` lists all)" if more else ""),
        )


def plain(text: str) -> str:
    """`text` with everything that a terminal could take as an order replaced."""
    return "".join(c if c.isprintable() else " " if c == "\t" else "�" for c in text)


def shown(text: object, limit: int = 40) -> str:
    """A text from the file as messages quote it: one line, not too long."""
    line = plain(str(text).replace("\n", " "))
    return f"'{line if len(line) <= limit else line[: limit - 1] + '…'}'"
