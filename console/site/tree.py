"""Reading a file into a tree of texts that know where they stand.

Every scalar stays the text that was written, so `on` is not turned into a truth value, nor `2026`
into a number. Built from PyYAML's events without recursion, with limits on size, depth and on what
aliases expand to, so that no file can exhaust memory or the stack.
"""

from __future__ import annotations

from pathlib import Path

import yaml

from console.site.nodes import Document, Items, Mapping, Node, Place, Scalar, Unreadable
from console.site.problems import Problem, shown

MAX_BYTES = 1_000_000
MAX_NODES = 50_000
MAX_DEPTH = 16

_HINTS = {
    "found character '\\t' that cannot start any token": "indent with spaces, not tabs",
    "mapping values are not allowed here": "check the indentation, and quote text that holds ': '",
    "expected <block end>": "check the indentation of this line and the ones above",
    "found undefined alias": "define it first with &name, or write the value out",
    "could not find expected ':'": "write a colon and a space after the key",
}


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
        raise Unreadable(_grammar(builder, error)) from None
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


def _grammar(builder: _Builder, error: yaml.MarkedYAMLError) -> Problem:
    """What YAML's own grammar complains of."""
    said = error.problem or error.context or "unreadable"
    context = error.context or ""
    mark, began = error.problem_mark, error.context_mark
    if began is not None and "end of stream" in said:
        place = Place(began.line + 1, began.column + 1)
        return builder.problem(place, "what begins here is never closed", "add the closing quote")
    place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
    remedy = next((h for part, h in _HINTS.items() if part in f"{context}: {said}"), "")
    if began is not None and "flow" in context:
        remedy = (
            f"close the bracket opened on line {began.line + 1}, or put a text that holds a colon "
            "or comma into quotes"
        )
    return builder.problem(
        place, f"this is no valid YAML: {said}", remedy or "check indentation, quotes, colons"
    )


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
