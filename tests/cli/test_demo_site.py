"""The demo's site file opens no real line."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.demo import on_private_lines
from console.site.loading import load
from console.site.shipped import NAMES, shipped

BLOCKS = """\
site: A
lines:
  one: # in the shed
    usb_serial: X1
    baud: 57600
  two:
    url: socket://somewhere:1
zones: {}
"""


@pytest.mark.parametrize("name", NAMES)
def test_every_line_is_moved_and_nothing_else(name: str, tmp_path: Path) -> None:
    """A shipped site on private lines is the same site, and every port is in the folder."""
    text, paths = on_private_lines(shipped(name).read_text(), tmp_path)
    (tmp_path / "moved.yaml").write_text(text)
    before, after = load(shipped(name)), load(tmp_path / "moved.yaml")
    assert list(paths) == [line.name for line in before.lines]
    assert [Path(line.path or "") for line in after.lines] == list(paths.values())
    assert all(path.parent == tmp_path for path in paths.values())
    assert [line.baud for line in after.lines] == [line.baud for line in before.lines]
    assert after.model_copy(update={"lines": ()}) == before.model_copy(update={"lines": ()})


def test_lines_in_blocks_are_moved_too(tmp_path: Path) -> None:
    """Braces and indented blocks both become one plain entry; what follows is untouched."""
    text, _ = on_private_lines(BLOCKS, tmp_path)
    assert text.splitlines()[2:] == [
        f'  one: {{path: "{tmp_path}/one.port", baud: 57600}}',
        f'  two: {{path: "{tmp_path}/two.port"}}',
        "zones: {}",
    ]


def test_a_text_without_lines_is_refused(tmp_path: Path) -> None:
    """Where nothing can be moved, nothing must be run."""
    with pytest.raises(ValueError, match="needs lines"):
        on_private_lines("site: A\n", tmp_path)
