"""Which findings to tell, and what to leave out of plain data so that the rest can be read."""

from __future__ import annotations

from typing import Any

from pydantic_core import ErrorDetails

from console.site.base import NAME_KEY
from console.site.draft import Path
from console.site.nodes import Step
from console.site.props import STEP_WORDS, SWITCHES_KEY
from console.site.wording import is_near


def telling(plain: Any, found: list[ErrorDetails]) -> list[ErrorDetails]:
    """The findings that are no mere consequence of another one."""
    paths = [tree_path(plain, detail["loc"]) for detail in found]
    extra = [path for path, e in zip(paths, found, strict=True) if e["type"] == "extra_forbidden"]
    told = []
    for path, detail in zip(paths, found, strict=True):
        misspelt = detail["type"] == "missing" and any(
            other[:-1] == path[:-1] and is_near(str(other[-1]), str(path[-1])) for other in extra
        )
        # Entries that cannot be read leave their list short.
        emptied = detail["type"] == "too_short" and any(
            len(other) > len(path) and other[: len(path)] == path for other in paths
        )
        if not misspelt and not emptied:
            told.append(detail)
    return told


def tree_path(plain: Any, loc: tuple[Step, ...]) -> Path:
    """Where pydantic's `loc` stands in the file: named entries by name instead of by index."""
    path: list[Step] = []
    node = plain
    gathered = False
    for step in loc:
        if step == NAME_KEY:
            break
        if step == SWITCHES_KEY:
            gathered = True
        elif isinstance(node, dict) and isinstance(step, int):
            keys = [k for k in node if k != NAME_KEY and not (gathered and k in STEP_WORDS)]
            path.append(keys[step])
            node = node[keys[step]]
        elif isinstance(node, dict):
            path.append(step)
            node = node.get(str(step))
        elif isinstance(node, list) and isinstance(step, int):
            path.append(step)
            node = node[step]
        elif isinstance(node, str):
            break
        else:
            path.append(step)
            node = None
    return tuple(path)


def doomed(plain: Any, detail: ErrorDetails) -> Path:
    """What to leave out so that this finding goes away."""
    path = tree_path(plain, detail["loc"])
    if detail["type"] == "missing" and isinstance(_at(plain, path[:-1]), dict):
        return path[:-1]
    return path


def _at(plain: Any, path: Path) -> Any:
    for step in path:
        if isinstance(plain, dict):
            plain = plain.get(step)
        elif isinstance(plain, list) and isinstance(step, int):
            plain = plain[step]
    return plain


_GAP = object()


def remove(plain: Any, path: Path) -> None:
    """Leave out what stands at a path; a place in a list stays as a gap until they are closed."""
    parent = plain
    for step in path[:-1]:
        if isinstance(parent, dict):
            parent = parent.get(step)
        elif isinstance(parent, list) and isinstance(step, int) and step < len(parent):
            parent = parent[step]
        else:
            return
    if isinstance(parent, dict):
        parent.pop(path[-1], None)
    elif isinstance(parent, list) and isinstance(path[-1], int) and path[-1] < len(parent):
        parent[path[-1]] = _GAP


def close_gaps(plain: Any) -> None:
    """Take removed items out of lists; done last, so that indices hold while removing."""
    if isinstance(plain, dict):
        for value in plain.values():
            close_gaps(value)
    elif isinstance(plain, list):
        plain[:] = [item for item in plain if item is not _GAP]
        for item in plain:
            close_gaps(item)
