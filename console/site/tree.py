"""A site file as a tree of texts that know where they stand.

Every scalar stays the text that was written, so `on` is not turned into a truth value, nor `2026`
into a number. Built from PyYAML's events without recursion, with limits on size, depth and on what
aliases expand to, so that no file can exhaust memory or the stack.
"""

from __future__ import annotations

from collections.abc import Sequence as Steps
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from console.site.problems import Problem, shown

MAX_BYTES = 1_000_000
MAX_NODES = 50_000
MAX_DEPTH = 16

_HINTS = {
    "found character '\\t' that cannot start any token": "indent with spaces, not tabs",
    "mapping values are not allowed here": "check the indentation, and quote text that holds ': '",
    "expected <block end>": "check the indentation of this line and the ones above",
    "found undefined alias": "define it first with &name, or write the value out",
    "found unexpected end of stream": "close the quote or bracket that was opened",
    "while scanning a quoted scalar": "close the quote that was opened",
    "could not find expected ':'": "write a colon and a space after the key",
}


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

    def node(self, path: Steps[Step]) -> Node | None:
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

    def place(self, path: Steps[Step], *, at_key: bool = False) -> Place:
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


def read(path: Path) -> Document:
    """Read a file into a tree. Raises Unreadable."""
    file = str(path)
    return parse(_text(path, file), file)


def parse(text: str, file: str) -> Document:
    """Turn the text of a site file into a tree. Raises Unreadable."""
    builder = _Builder(file, text)
    try:
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            builder.take(event)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        said = error.problem or error.context or "unreadable"
        known = f"{error.context or ''}: {said}"
        hint = next((h for part, h in _HINTS.items() if part in known), "")
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        raise Unreadable(
            builder.problem(
                place, f"this is no valid YAML: {said}", hint or "check indentation, quotes, colons"
            )
        ) from None
    except yaml.reader.ReaderError as error:
        before = text[: error.position]
        place = Place(before.count("\n") + 1, error.position - (before.rfind("\n") + 1) + 1)
        raise Unreadable(
            builder.problem(
                place,
                f"contains the control character U+{int(error.character):04X}",
                "remove it; some editors show it as a box or not at all",
            )
        ) from None
    except (ValueError, OverflowError):
        raise Unreadable(
            _whole(file, "contains an escape that stands for no character", "look for \\U in it")
        ) from None
    root = builder.root
    if root is None or (isinstance(root, Scalar) and root.empty):
        raise Unreadable(
            _whole(file, "is empty", f"`sexton new {file}` writes a starter elsewhere")
        )
    if not isinstance(root, Mapping):
        raise Unreadable(
            builder.problem(
                root.place,
                "a site file is made of keys, and this is a list or a text",
                "begin with `site: the name of your attraction`",
            )
        )
    return Document(file, builder.lines, root, builder.problems)


def _text(path: Path, file: str) -> str:
    try:
        if path.is_dir():
            raise Unreadable(_whole(file, "is a folder", "name the site file in it"))
        if path.exists() and not path.is_file():
            raise Unreadable(_whole(file, "is no ordinary file", "name a site file"))
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise Unreadable(
            _whole(file, "there is no such file", f"`sexton new {file}` writes a starter")
        ) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise Unreadable(_whole(file, f"cannot be read: {reason}", "check its name")) from None
    if len(data) > MAX_BYTES:
        raise Unreadable(
            _whole(file, f"is larger than {MAX_BYTES // 1000} KB", "no site file needs that much")
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise Unreadable(
            _whole(file, "is a binary file or not in UTF-8", "save the site file as UTF-8 text")
        )
    if not text.strip():
        raise Unreadable(_whole(file, "is empty", "`sexton new SITE.yaml` writes a starter"))
    return text


def _whole(file: str, message: str, remedy: str) -> Problem:
    return Problem(file, 0, 0, message, remedy)


class _Builder:
    """Puts events together into nodes."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.lines = text.splitlines()
        self.problems: list[Problem] = []
        self.root: Node | None = None
        self._open: list[Mapping | Items] = []
        self._keys: list[Scalar | None] = []
        self._anchors: dict[str, Node] = {}
        self._count = 0
        self._documents = 0

    def problem(self, place: Place, message: str, remedy: str) -> Problem:
        source = self.lines[place.line - 1] if place.line <= len(self.lines) else ""
        return Problem(self.file, place.line, place.column, message, remedy, source=source)

    def take(self, event: yaml.Event) -> None:
        mark = event.start_mark
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                raise Unreadable(
                    self.problem(place, "a second document begins here", "remove the --- line")
                )
        elif isinstance(event, yaml.AliasEvent):
            self._put(self._aliased(event.anchor or "", place))
        elif isinstance(event, yaml.ScalarEvent):
            bare = event.style is None and event.value in ("", "~", "null")
            self._put(self._named(event, Scalar(place, event.value, empty=bare)))
        elif isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
            if len(self._open) >= MAX_DEPTH:
                raise Unreadable(
                    self.problem(
                        place, f"is nested more than {MAX_DEPTH} deep", "no site file needs that"
                    )
                )
            if isinstance(event, yaml.MappingStartEvent):
                node = self._named(event, Mapping(place, flow=bool(event.flow_style)))
            else:
                node = self._named(event, Items(place))
            assert not isinstance(node, Scalar)
            self._open.append(node)
            self._keys.append(None)
        elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            node = self._open.pop()
            self._keys.pop()
            self._put(node)

    def _named(self, event: yaml.NodeEvent, node: Node) -> Node:
        self._add(1, node.place)
        tag = getattr(event, "tag", None)
        if tag is not None and tag != "!":
            self.problems.append(
                self.problem(node.place, f"the tag {shown(tag)} means nothing here", "remove it")
            )
        if event.anchor is not None:
            self._anchors[event.anchor] = node
        return node

    def _aliased(self, anchor: str, place: Place) -> Node:
        node = self._anchors.get(anchor)
        if node is None:
            raise Unreadable(
                self.problem(
                    place,
                    f"nothing is called &{anchor} above",
                    f"mark a value with &{anchor} further up, or write it out",
                )
            )
        if any(node is opened for opened in self._open):
            raise Unreadable(
                self.problem(place, f"*{anchor} repeats itself", "write the value out")
            )
        self._add(node.size, place)
        if len(self._open) + node.depth > MAX_DEPTH:
            raise Unreadable(
                self.problem(place, f"*{anchor} nests too deep", "write the value out")
            )
        return node

    def _add(self, nodes: int, place: Place) -> None:
        self._count += nodes
        if self._count > MAX_NODES:
            raise Unreadable(
                self.problem(
                    place,
                    f"the file stands for more than {MAX_NODES} values, aliases counted in full",
                    "write what is needed without aliases",
                )
            )

    def _put(self, node: Node) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1]
        parent.size += node.size
        parent.depth = max(parent.depth, node.depth + 1)
        if isinstance(parent, Items):
            parent.items.append(node)
            return
        key = self._keys[-1]
        if key is None:
            self._keys[-1] = self._key(node)
        else:
            self._keys[-1] = None
            self._entry(parent, key, node)

    def _key(self, node: Node) -> Scalar:
        if isinstance(node, Scalar):
            return node
        self.problems.append(
            self.problem(node.place, "a key must be a plain word", "write a name and a colon")
        )
        return Scalar(node.place, "", size=0)

    def _entry(self, parent: Mapping, key: Scalar, node: Node) -> None:
        if not key.size:
            return
        if not key.text or key.text.startswith("("):
            self.problems.append(
                self.problem(key.place, "no name stands here", "write a name and a colon")
            )
            return
        if key.text == "<<":
            self.problems.append(
                self.problem(
                    key.place, "merging with << is not known here", "repeat the keys themselves"
                )
            )
            return
        first = parent.get(key.text)
        if first is not None:
            self.problems.append(
                self.problem(
                    key.place,
                    f"{shown(key.text)} stands twice; the first is on line {first[0].place.line}",
                    "remove one, or give it another name",
                )
            )
            return
        parent.entries[key.text] = (key, node)
