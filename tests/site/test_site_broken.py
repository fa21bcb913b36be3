"""Broken site files, each with what must be said of it in the comment that begins it."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.site.loading import check, load
from console.site.problems import Severity, SiteProblems

FILES = sorted((Path(__file__).parent / "broken").glob("*.yaml"))


def expected(path: Path) -> list[tuple[str, str]]:
    """`warning LINE:COLUMN message` and the remedy of each finding."""
    lines = path.read_text(encoding="utf-8").splitlines()
    head = [line for line in lines if line.startswith("# ")]
    return [
        (head[at].removeprefix("# "), head[at + 1].removeprefix("#   "))
        for at in range(0, len(head), 2)
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_broken_file_gets_its_messages_and_no_other(path: Path) -> None:
    """A broken file gets exactly the expected findings, at their places, with their remedies."""
    found = [
        (
            f"{'warning ' if p.severity is Severity.WARNING else ''}{p.line}:{p.column} "
            f"{p.message}",
            p.remedy,
        )
        for p in check(path)
    ]
    assert found == expected(path)
    assert found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_finding_shows_its_line_and_a_caret_under_the_place(path: Path) -> None:
    """The caret stands under the first character of what the finding is about."""
    for problem in check(path):
        shown = problem.text().splitlines()
        assert shown[0] == problem.head
        if problem.line:
            assert shown[2].strip() == "^"
            column = len(shown[2]) - 4
            assert column == problem.column or problem.column > 96
        assert all(line.isprintable() for line in shown)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_loading_fails_on_problems_and_passes_on_warnings(path: Path) -> None:
    """A file with problems raises all of them; one with warnings alone loads."""
    problems = [p for p in check(path) if p.severity is Severity.PROBLEM]
    if not problems:
        assert load(path).props
        return
    with pytest.raises(SiteProblems) as caught:
        load(path)
    assert list(caught.value.problems) == problems


def test_there_are_many_and_they_say_different_things() -> None:
    """At least 25 files, and no message is only a variant of another by its names."""
    assert len(FILES) >= 25
    heads = {message.split(" ", 1)[1] for path in FILES for message, _ in expected(path)}
    assert len(heads) >= 60
