"""Loading and checking a site file."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from console.site import tree
from console.site.checks import CHECKS, Check
from console.site.compiling import compiled
from console.site.draft import Draft
from console.site.models import Site
from console.site.nodes import Unreadable
from console.site.problems import Problem, Severity, SiteProblems
from console.site.reading import draft_of


def load(path: Path | str) -> Site:
    """The site of a file. Raises SiteProblems with everything that is wrong; warnings pass."""
    draft, problems = examine(path)
    wrong = [p for p in problems if p.severity is Severity.PROBLEM]
    if wrong or draft is None:
        raise SiteProblems(wrong)
    return draft.site


def check(path: Path | str, more: Iterable[Check] = ()) -> list[Problem]:
    """Every problem and warning of a file, by line. `more` are further checks to run."""
    return examine(path, more)[1]


def examine(path: Path | str, more: Iterable[Check] = ()) -> tuple[Draft | None, list[Problem]]:
    """The site as far as it could be read (None: not at all), and every finding by line."""
    try:
        document = tree.read(Path(path))
    except Unreadable as unreadable:
        return None, [unreadable.problem]
    draft = draft_of(document)
    draft.site = compiled(draft.site)
    problems = list(draft.problems)
    for one in (*CHECKS, *more):
        problems.extend(one(draft))
    return draft, sorted(problems, key=lambda p: (p.line, p.column))
