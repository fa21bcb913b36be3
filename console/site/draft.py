"""A site as far as it could be read, and where everything in it stands."""

from __future__ import annotations

from dataclasses import dataclass, field

from console.site.models import Site
from console.site.nodes import Document, Mapping, Step
from console.site.problems import Problem, Severity

Path = tuple[Step, ...]
"""Keys and indices that lead to a place in the file, such as `("props", "lid", "rest")`."""


@dataclass(slots=True)
class Draft:
    """A site as far as it could be read, with the tree it came from."""

    document: Document
    site: Site
    problems: list[Problem] = field(default_factory=list)
    cut: set[Path] = field(default_factory=set)
    """Paths of what was left out."""

    def problem(
        self,
        path: Path,
        message: str,
        remedy: str,
        *,
        at_key: bool = False,
        severity: Severity = Severity.PROBLEM,
    ) -> Problem:
        """A finding at a path of the file."""
        return problem_at(self.document, path, message, remedy, at_key=at_key, severity=severity)

    def intact(self, path: Path) -> bool:
        """Whether nothing at or below `path` was left out."""
        return not any(cut[: len(path)] == path for cut in self.cut)

    def names(self, *path: Step) -> tuple[str, ...]:
        """The names that stand under a section, sound or not."""
        node = self.document.node(path)
        return tuple(node.entries) if isinstance(node, Mapping) else ()

    def named_by(self, section: str, key: str) -> set[str]:
        """What the entries of a section say under `key`, sound or not."""
        said = {self.document.text(section, name, key) for name in self.names(section)}
        return {text for text in said if text is not None}

    def written(self, path: Path) -> bool:
        """Whether the file has something at `path`."""
        return self.document.node(path) is not None


def problem_at(
    document: Document,
    path: Path,
    message: str,
    remedy: str,
    *,
    at_key: bool = False,
    severity: Severity = Severity.PROBLEM,
) -> Problem:
    """A finding at a path of a document."""
    place = document.place(path, at_key=at_key)
    return Problem(
        document.file, place.line, place.column, message, remedy, severity,
        document.line(place.line),
    )  # fmt: skip
