"""From the tree of a site file to models, keeping whatever is sound of a file that isn't.

A finding takes out only the key it concerns, or where that key is needed the entry around it, so
that the checks that follow still see the rest and one run shows everything that is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from console.site.base import NAME_KEY, FileModel, file_keys
from console.site.draft import Draft, Path, problem_at
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
from console.site.nodes import Document, Items, Mapping, Node, Step
from console.site.problems import Problem, shown
from console.site.pruning import close_gaps, doomed, remove, telling, tree_path
from console.site.wording import describe, field_of, first_class, near

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
                        f"`{section}` needs entries under their names, not {what}",
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
            if attempt == 0:
                for detail in telling(plain, found):
                    self._report(detail, prefix, tree_path(plain, detail["loc"]), model)
            self.cut.update((*prefix, *tree_path(plain, detail["loc"])) for detail in found)
            lost = False
            for path in {doomed(plain, detail) for detail in found}:
                if not path:
                    lost = True
                else:
                    remove(plain, path)
            if lost:
                break
            close_gaps(plain)
        self.cut.add(prefix)
        return None

    def _report(
        self, detail: ErrorDetails, prefix: Path, path: Path, model: type[FileModel]
    ) -> None:
        whole = (*prefix, *path)
        kind = detail["type"]
        if kind == "missing" and self.document.node(whole) is not None:
            return  # It stands there without a value, which was said already.
        # What stands in the file says more than what it was turned into, as `0 s` does than 0.
        detail = {**detail, "input": self.document.text(*whole) or detail["input"]}
        top = (prefix[-1],) if model is Site else ()
        within = _model_at(model, (*top, *detail["loc"][:-1]))
        at_name = bool(detail["loc"]) and detail["loc"][-1] == NAME_KEY
        self._say(
            whole,
            describe(detail, whole, within),
            at_key=at_name or kind == "extra_forbidden",
        )

    def _say(self, path: Path, words: tuple[str, str], *, at_key: bool = False) -> None:
        self.problems.append(problem_at(self.document, path, *words, at_key=at_key))


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
