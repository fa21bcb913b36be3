"""From the tree of a site file to models, keeping whatever is sound of a file that isn't.

A finding takes out only the key it concerns, or where that key is needed the entry around it, so
that the checks that follow still see the rest and one run shows everything that is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from console.site.base import NAME_KEY, FileModel, file_keys
from console.site.models import (
    Air,
    Controller,
    Line,
    Opening,
    Prop,
    Rules,
    ServiceInterval,
    Site,
    Supply,
    Zone,
)
from console.site.problems import Problem, Severity, shown
from console.site.props import STEP_WORDS, SWITCHES_KEY
from console.site.tree import Document, Items, Mapping, Node, Step
from console.site.wording import describe, field_of, first_class, near

Path = tuple[Step, ...]

SECTIONS: dict[str, type[FileModel]] = {
    "zones": Zone,
    "lines": Line,
    "supplies": Supply,
    "controllers": Controller,
    "props": Prop,
    "service": ServiceInterval,
}
"""The named sections at the top of a file, and the model of an entry."""

_ROUNDS = 8
"""How deep a broken key can reach up through entries that need it."""


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
        return _problem(self.document, path, message, remedy, at_key=at_key, severity=severity)

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


def _problem(
    document: Document,
    path: Path,
    message: str,
    remedy: str,
    *,
    at_key: bool = False,
    severity: Severity = Severity.PROBLEM,
) -> Problem:
    place = document.place(path, at_key=at_key)
    return Problem(
        document.file, place.line, place.column, message, remedy, severity,
        document.line(place.line),
    )  # fmt: skip


def draft_of(document: Document) -> Draft:
    """Read what can be read; nothing is computed yet."""
    reader = _Reader(document)
    return Draft(document, reader.site(), reader.problems, reader.cut)


class _Reader:
    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = list(document.problems)
        self.cut: set[Path] = set()

    def site(self) -> Site:
        values: dict[str, Any] = {}
        self._unknown_sections()
        for name, info in Site.model_fields.items():
            key = str(info.validation_alias)
            node = self.document.node((key,))
            if node is None:
                if info.is_required():
                    self._say((), _top_missing(key))
                continue
            if key in SECTIONS:
                values[name] = tuple(self._entries(key, node))
                continue
            plain = self._plain(node, (key,))
            if plain is None:
                continue
            adapter = _adapter(name)
            value = self._validated(adapter, plain, (key,), Site)
            if value is not None:
                values[name] = value
        defaults: dict[str, Any] = {
            "name": "", "zones": (), "lines": (), "controllers": (), "props": (),
            "supplies": (), "service": (), "nights": (), "air": Air(), "opening": Opening(),
            "rules": Rules(), "timezone": None,
        }  # fmt: skip
        return Site.model_construct(**{**defaults, **values})

    def _unknown_sections(self) -> None:
        known = file_keys(Site)
        for key in self.document.root.entries:
            if key not in known:
                remedy = near(key, known, f"known here: {', '.join(sorted(known))}")
                self._say((key,), (f"unknown key {shown(key)}", remedy), at_key=True)
                self.cut.add((key,))

    def _entries(self, section: str, node: Node) -> Iterator[Any]:
        if not isinstance(node, Mapping):
            if self._plain(node, (section,)) is not None:
                what = "a list" if isinstance(node, Items) else shown(getattr(node, "text", ""))
                self._say(
                    (section,),
                    (
                        f"`{section}` needs entries under their names, and {what} stands here",
                        f"write `{section}:`, and under it, indented, `a-name: {{…}}`",
                    ),
                )
            return
        if not node.entries:
            self._say((section,), (f"`{section}` is empty", "list at least one"), at_key=True)
        model = SECTIONS[section]
        adapter: TypeAdapter[Any] = TypeAdapter(model)
        for name, (_, body) in node.entries.items():
            path = (section, name)
            bare = not isinstance(body, Mapping) and getattr(body, "empty", False)
            plain = {} if bare else self._plain(body, path)
            if isinstance(plain, dict):
                plain = {**plain, NAME_KEY: name}
            value = self._validated(adapter, plain, path, model)
            if value is not None:
                yield value

    def _plain(self, node: Node, path: Path) -> Any:
        """The node as dictionaries, lists and texts; None where nothing was written."""
        if isinstance(node, Mapping):
            found = {k: self._plain(child, (*path, k)) for k, (_, child) in node.entries.items()}
            return {key: value for key, value in found.items() if value is not None}
        if isinstance(node, Items):
            items = [self._plain(child, (*path, i)) for i, child in enumerate(node.items)]
            return [item for item in items if item is not None]
        if node.empty:
            around = self.document.node(path[:-1])
            flow = isinstance(around, Mapping) and around.flow
            comma = "; where a comma belongs to a text in braces, put the text into quotes"
            remedy = f"write one, or remove the key{comma if flow else ''}"
            self._say(path, (f"`{shown(path[-1])[1:-1]}` has no value", remedy), at_key=True)
            self.cut.add(path)
            return None
        return node.text

    def _validated(
        self, adapter: TypeAdapter[Any], plain: Any, prefix: Path, model: type[FileModel]
    ) -> Any:
        for attempt in range(_ROUNDS):
            try:
                return adapter.validate_python(plain, by_alias=True, by_name=False)
            except ValidationError as error:
                found = error.errors(include_url=False)
            for detail in found:
                path = _tree_path(plain, detail["loc"])
                if attempt == 0:
                    self._report(detail, prefix, path, model)
                self.cut.add((*prefix, *path))
            lost = False
            for path in {_doomed(plain, detail) for detail in found}:
                if not path:
                    lost = True
                else:
                    _remove(plain, path)
            if lost:
                break
            _close_gaps(plain)
        self.cut.add(prefix)
        return None

    def _report(
        self, detail: ErrorDetails, prefix: Path, path: Path, model: type[FileModel]
    ) -> None:
        whole = (*prefix, *path)
        kind = detail["type"]
        if kind == "missing" and self.document.node(whole) is not None:
            return  # It stands there without a value, which was said already.
        top = (prefix[-1],) if model is Site else ()
        within = _model_at(model, (*top, *detail["loc"][:-1]))
        at_name = bool(detail["loc"]) and detail["loc"][-1] == NAME_KEY
        self._say(
            whole,
            describe(detail, whole, within),
            at_key=at_name or kind == "extra_forbidden",
        )

    def _say(self, path: Path, words: tuple[str, str], *, at_key: bool = False) -> None:
        self.problems.append(_problem(self.document, path, *words, at_key=at_key))


@cache
def _adapter(field_name: str) -> TypeAdapter[Any]:
    """Validates one field of a site by itself."""
    info = Site.model_fields[field_name]
    kind: Any = info.annotation
    if info.metadata:
        kind = Annotated[kind, *info.metadata]
    return TypeAdapter(kind)


def _top_missing(key: str) -> tuple[str, str]:
    sample = "`site: the name of your attraction`" if key == "site" else f"a section `{key}:`"
    return f"the site has no `{key}`", f"add {sample}"


def _tree_path(plain: Any, loc: tuple[Step, ...]) -> Path:
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


def _doomed(plain: Any, detail: ErrorDetails) -> Path:
    """What to leave out so that this finding goes away."""
    path = _tree_path(plain, detail["loc"])
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


def _remove(plain: Any, path: Path) -> None:
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


def _close_gaps(plain: Any) -> None:
    """Take removed items out of lists; done last, so that indices hold while removing."""
    if isinstance(plain, dict):
        for value in plain.values():
            _close_gaps(value)
    elif isinstance(plain, list):
        plain[:] = [item for item in plain if item is not _GAP]
        for item in plain:
            _close_gaps(item)


def _model_at(model: type[FileModel], loc: tuple[Step, ...]) -> type[FileModel] | None:
    """The model of the mapping that a `loc` leads into."""
    current: type[FileModel] | None = model
    for step in loc:
        if isinstance(step, int):
            continue
        found = field_of(current, step)
        if found is None:
            return current
        current = first_class(found[1].annotation, FileModel) or current
    return current
