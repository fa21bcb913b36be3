"""The tours in DEVELOPERS.md and the README name things that exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[2]
_SOURCE = "\n".join(
    path.read_text("utf-8")
    for folder in ("console", "drivers")
    for path in sorted((_ROOT / folder).rglob("*"))
    if path.suffix in {".py", ".c", ".h"}
)


def _quoted(page: str) -> list[str]:
    text = re.sub(r"```.*?```", "", (_ROOT / page).read_text("utf-8"), flags=re.DOTALL)
    return sorted(set(re.findall(r"`([^`\n]+)`", text)))


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "README.md"])
def test_paths_exist(page: str) -> None:
    """Every path that the page names is there."""
    for word in _quoted(page):
        if re.fullmatch(r"(console|drivers|tests|configs|\.pictures)/[\w./*-]*", word):
            assert (_ROOT / word).exists(), f"{page} names {word}"


def test_functions_exist() -> None:
    """Every `Class.method` and C function of the tours is defined somewhere."""
    for word in _quoted("DEVELOPERS.md"):
        if found := re.fullmatch(r"(_?[A-Z]\w+)\.(\w+)(\(.*\))?", word):
            assert re.search(rf"class {found[1]}\b", _SOURCE), f"no class {found[1]}"
            assert re.search(rf"def {found[2]}\(", _SOURCE), f"no method {word}"
        elif re.fullmatch(r"sx_\w+", word):
            assert re.search(rf"\b{word}\(", _SOURCE), f"no function {word}"


def test_pictures_exist() -> None:
    """Every picture of the README is there."""
    for target in re.findall(r"!\[[^]]*\]\(([^)]+)\)", (_ROOT / "README.md").read_text("utf-8")):
        assert (_ROOT / target).is_file(), target
