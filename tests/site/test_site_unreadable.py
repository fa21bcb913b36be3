"""Files that are no site files at all: one clear line each, quickly, whatever is in them."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from console.site.loading import check
from console.site.problems import Problem
from console.site.tree import MAX_BYTES


def only(path: Path) -> Problem:
    """The one finding of a file, found within two seconds."""
    began = time.monotonic()
    (problem,) = check(path)
    assert time.monotonic() - began < 2
    assert "\n" not in problem.head
    return problem


def test_a_missing_file_is_said_to_be_missing(tmp_path: Path) -> None:
    """A file that is not there gets one line that names it."""
    problem = only(tmp_path / "gone.yaml")
    assert problem.head.startswith(f"{tmp_path / 'gone.yaml'}: there is no such file")


def test_a_folder_is_said_to_be_one(tmp_path: Path) -> None:
    """A folder is refused."""
    assert only(tmp_path).message == "is a folder"


@pytest.mark.parametrize("content", ["", "\n\n", "# only a comment\n", "---\n", "~\n"])
def test_an_empty_file_is_said_to_be_empty(tmp_path: Path, content: str) -> None:
    """Nothing, blank lines, a comment or a null are no site."""
    path = tmp_path / "site.yaml"
    path.write_text(content)
    assert only(path).message == "is empty"


@pytest.mark.parametrize(
    "content", [b"\x00\x01\x02", b"site: \xff\xfe", "site: a".encode("utf-16")]
)
def test_a_binary_file_is_said_to_be_one(tmp_path: Path, content: bytes) -> None:
    """Zero bytes and broken UTF-8 are refused."""
    path = tmp_path / "site.yaml"
    path.write_bytes(content)
    assert only(path).message == "is a binary file or not in UTF-8"


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    """A file over the limit is refused without being parsed."""
    path = tmp_path / "site.yaml"
    path.write_text("# " + "x" * MAX_BYTES)
    assert "is larger than" in only(path).message


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A named pipe nobody writes to is refused at once."""
    path = tmp_path / "pipe.yaml"
    os.mkfifo(path)
    assert only(path).message == "is no ordinary file"


def test_a_file_that_may_not_be_read_says_so(tmp_path: Path) -> None:
    """A name longer than any file system takes gets one line, too."""
    assert "cannot be read" in only(tmp_path / ("x" * 5000)).message


def test_an_alias_bomb_is_refused(tmp_path: Path) -> None:
    """Nine aliases to nine aliases, nine deep, stand for 387 million values and are refused."""
    lines = ["a0: &a0 [lol, lol, lol, lol, lol, lol, lol, lol, lol]"]
    for level in range(1, 9):
        lines.append(f"a{level}: &a{level} [{', '.join([f'*a{level - 1}'] * 9)}]")
    path = tmp_path / "site.yaml"
    path.write_text("\n".join(lines))
    assert "stands for more than" in only(path).message


def test_an_alias_bomb_of_mappings_is_refused(tmp_path: Path) -> None:
    """The same with keys, one alias each, doubled at every level."""
    lines = ["a0: &a0 {x: 1, y: 2}"]
    for level in range(1, 30):
        lines.append(f"a{level}: &a{level} {{x: *a{level - 1}, y: *a{level - 1}}}")
    path = tmp_path / "site.yaml"
    path.write_text("\n".join(lines))
    problem = only(path)
    assert "nests too deep" in problem.message or "stands for more than" in problem.message


@pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
def test_deep_nesting_is_refused(tmp_path: Path, opening: str) -> None:
    """A hundred thousand opened brackets neither exhaust the stack nor take long."""
    path = tmp_path / "site.yaml"
    path.write_text(opening * 100_000)
    assert only(path).message


def test_very_many_keys_are_read_or_refused_quickly(tmp_path: Path) -> None:
    """Sixty thousand keys in one mapping are over the limit."""
    path = tmp_path / "site.yaml"
    path.write_text("props: {" + ", ".join(f"a{i}" for i in range(60_000)) + "}")
    began = time.monotonic()
    (problem,) = check(path)
    assert "stands for more than" in problem.message
    assert time.monotonic() - began < 20
