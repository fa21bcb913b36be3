"""The tree of a site file: texts that know where they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from console.site.problems import Problem


@dataclass(frozen=True, slots=True)
class Place:
    """Line and column, from 1."""

    line: int
    column: int


@dataclass(slots=True)
class Scalar:
    """A text."""

    place: Place
    text: str
    empty: bool = False
    """Nothing was written, or a null."""
    size: int = 1
    depth: int = 0


@dataclass(slots=True)
class Mapping:
    """Keys and values, in the order of the file."""

    place: Place
    entries: dict[str, tuple[Scalar, Node]] = field(default_factory=dict)
    flow: bool = False
    """Written in braces, where a comma ends a value."""
    size: int = 1
    depth: int = 0

    def get(self, key: str) -> tuple[Scalar, Node] | None:
        """The entry under `key`."""
        return self.entries.get(key)


@dataclass(slots=True)
class Items:
    """A list."""

    place: Place
    items: list[Node] = field(default_factory=list)
    size: int = 1
    depth: int = 0


Node = Scalar | Mapping | Items
Step = str | int


class Unreadable(Exception):
    """The file is no tree at all; carries the one problem that says why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.message)
        self.problem = problem


@dataclass(slots=True)
class Document:
    """A file's tree, its lines for quoting, and what is wrong with the tree itself."""

    file: str
    lines: list[str]
    root: Mapping
    problems: list[Problem] = field(default_factory=list)

    def node(self, path: Sequence[Step]) -> Node | None:
        """The node at a path of keys and indices, None where there is none."""
        node: Node = self.root
        for step in path:
            if isinstance(node, Mapping):
                found = node.get(str(step))
                if found is None:
                    return None
                node = found[1]
            elif isinstance(node, Items) and isinstance(step, int) and step < len(node.items):
                node = node.items[step]
            else:
                return None
        return node

    def text(self, *path: Step) -> str | None:
        """The text of the scalar at a path, None where there is none."""
        node = self.node(path)
        return node.text if isinstance(node, Scalar) else None

    def place(self, path: Sequence[Step], *, at_key: bool = False) -> Place:
        """Where a path stands: at its value, or at its key; as deep as the path leads."""
        node: Node = self.root
        place = node.place
        for depth, step in enumerate(path):
            last = depth == len(path) - 1
            if isinstance(node, Mapping):
                found = node.get(str(step))
                if found is None:
                    return place
                nested = isinstance(found[1], Mapping | Items)
                place = found[0].place if nested or (last and at_key) else found[1].place
                node = found[1]
            elif isinstance(node, Items) and isinstance(step, int) and step < len(node.items):
                node = node.items[step]
                place = node.place
            else:
                return place
        return place

    def line(self, number: int) -> str:
        """A line of the file, from 1."""
        return self.lines[number - 1] if 0 < number <= len(self.lines) else ""
