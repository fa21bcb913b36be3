"""What pydantic found, in words for somebody who builds props: a message and a remedy."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import StrEnum
from itertools import islice
from typing import Any, get_args

from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from console.site.base import FileModel, file_key, file_keys
from console.site.problems import shown

ENTRIES = {
    "zones": "zone",
    "lines": "line",
    "supplies": "supply",
    "controllers": "controller",
    "props": "prop",
    "service": "service interval",
    "motions": "motion",
    "outputs": "output",
    "sequences": "sequence",
    "parts": "part",
}
"""Sections of named entries, and what one entry is called."""

_EXAMPLES = {
    "_ms": "350 ms",
    "_h": "200 h",
    "_psi": "60 psi",
    "_in": "1.5 in",
    "_ft": "6 ft",
    "_lbf": "20 lbf",
    "_lb": "12 lb",
    "_gal": "20 gal",
    "_scfm": "5 scfm",
    "_v": "24 V",
    "_a": "5 A",
    "_w": "4.8 W",
    "_deg": "90 deg",
    "_degf": "40 degF",
    "_per_min": "6/min",
}
_SAMPLES = {"name": "my attraction", "title": "a name for people", "where": "where it stands"}
_PLAIN = {
    "slug": "use a letter, then lower-case letters, digits and single hyphens, 24 at most",
    "board_id": "use 1 to 12 of A-Z a-z 0-9 _ -, as the board's own settings have it",
    "date": "write it as 2026-10-09",
    "clock": "write it as 21:30",
    "yes_no": "write yes or no",
    "control_character": "retype the text; something invisible is in it",
    "markup": "use round brackets",
}


_COMPARED = 600
"""Known words among which a near one is looked for, so that thousands of names take no longer."""


def near(word: str, known: Iterable[str], otherwise: str) -> str:
    """A remedy that names the nearest known word, or `otherwise` where none is near."""
    close = difflib.get_close_matches(word[:60], islice(known, _COMPARED), n=1, cutoff=0.6)
    return f"did you mean {close[0]}?" if close else otherwise


def is_near(word: str, known: str) -> bool:
    """Whether `word` is likely a misspelt `known`."""
    return bool(difflib.get_close_matches(word[:60], [known], n=1, cutoff=0.6))


def owner(path: Sequence[str | int]) -> str:
    """The mapping or list at a path in words, such as `motion lift of prop ice-house-door`."""
    names: list[str] = []
    for before, step in zip((None, *path), path, strict=False):
        if isinstance(step, int):
            what = {"steps": "step", "nights": "night"}.get(names.pop(), shown(before)[1:-1])
            names.append(f"{what} {step + 1}")
        elif names and names[-1] in ENTRIES:
            names[-1] = f"{ENTRIES[names[-1]]} {shown(step)[1:-1]}"
        else:
            names.append(shown(step)[1:-1])
    kept = [name for name in names if name != "triggers"]
    return " of ".join(reversed(kept)) or "the site"


def describe(
    error: ErrorDetails, path: tuple[str | int, ...], model: type[FileModel] | None
) -> tuple[str, str]:
    """The message and the remedy for one finding at `path`, inside a mapping that is a `model`."""
    kind = error["type"]
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "")
    found = error["input"]
    context: Mapping[str, Any] = error.get("ctx", {})
    special = _SPECIAL.get(kind)
    if special is not None:
        return special(key, found, context, path, model)
    if kind in _PLAIN:
        if kind in ("control_character", "markup"):
            return f"`{key}` {error['msg']}", _PLAIN[kind]
        return f"{error['msg'].replace(str(found), shown(found), 1)}", _PLAIN[kind]
    return f"`{key}` cannot be {shown(found)}: {error['msg']}", "see configs/README.md for the key"


_Case = tuple[str, object, Mapping[str, Any], tuple[str | int, ...], type[FileModel] | None]


def _missing(*case: *_Case) -> tuple[str, str]:
    key, _, _, path, model = case
    return f"{owner(path[:-1])} has no `{key}`", f"add `{key}: {example(model, key)}`"


def _unknown(*case: *_Case) -> tuple[str, str]:
    key, _, _, path, model = case
    keys = file_keys(model) if model else ()
    listed = f"known here: {', '.join(sorted(keys))}"
    return f"unknown key {shown(key)} in {owner(path[:-1])}", near(key, keys, listed)


def _quantity(*case: *_Case) -> tuple[str, str]:
    key, _, context, _, model = case
    return f"`{key}`: {context['problem']}", f"write it like `{key}: {example(model, key)}`"


def _range(word: str, limit: str, remark: str) -> Callable[..., tuple[str, str]]:
    def say(*case: *_Case) -> tuple[str, str]:
        key, found, context, path, model = case
        unit = example(model, key).partition(" ")[2] if _suffix(model, key) else ""
        bound = f"{context[limit]:g} {unit}".strip()
        message = f"`{key}: {shown(found)[1:-1]}` of {owner(path[:-1])} is {word}"
        if key == "rest":
            return message, "give the prop time to go home and the air time to recover, as `8 s`"
        return message, f"{remark} {bound}"

    return say


def _choice(*case: *_Case) -> tuple[str, str]:
    key, found, context, path, _ = case
    words = re.findall(r"'([^']+)'", context["expected"])
    listed = f"one of {', '.join(words)}"
    hint = near(str(found), words, "")
    if key == "kind" and re.search(r"egress|emergency|exit", str(found).lower()):
        return EGRESS
    message = f"`{key}` of {owner(path[:-1])} cannot be {shown(found)}"
    return message, f"{listed}{'; ' + hint if hint else ''}"


def _structure(expected: str, remedy: str) -> Callable[..., tuple[str, str]]:
    def say(*case: *_Case) -> tuple[str, str]:
        key, found, _, _, model = case
        have = "a list" if isinstance(found, list) else shown(found)
        have = "keys" if isinstance(found, dict) else have
        return f"`{key}` needs {expected}, not {have}", remedy.format(
            key=key, example=example(model, key)
        )

    return say


def _length(*case: *_Case) -> tuple[str, str]:
    key, found, context, _, _ = case
    limit = context.get("max_length", context.get("min_length", 0))
    if "max_length" in context:
        return f"`{key}` is longer than {limit} characters", "shorten it"
    if isinstance(found, str):
        return f"`{key}` is empty", "write something or remove the key"
    return f"`{key}` is empty", "list at least one"


def _empty_step(*case: *_Case) -> tuple[str, str]:
    return "this step switches nothing", "name an output, as in `{at: 350 ms, lift: on}`"


EGRESS = (
    "egress and emergency lighting must never hang on a controller",
    "a stop, a lost line or a blown fuse here must leave it lit: feed it by itself, and take it "
    "out of this file",
)
"""What is said of lighting that people leave by."""

_SPECIAL: dict[str, Callable[..., tuple[str, str]]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "quantity": _quantity,
    "greater_than": _range("too small", "gt", "it must be more than"),
    "greater_than_equal": _range("too small", "ge", "it must be at least"),
    "less_than": _range("too large", "lt", "it must be less than"),
    "less_than_equal": _range("too large", "le", "it must be at most"),
    "enum": _choice,
    "string_too_long": _length,
    "string_too_short": _length,
    "too_short": _length,
    "empty_step": _empty_step,
    "named_entries": _structure("entries under their names", "write `{key}:`, then `name: {{…}}`"),
    "model_type": _structure("keys of its own", "write `key: value` pairs, indented under it"),
    "model_attributes_type": _structure("keys of its own", "write `key: value` pairs under it"),
    "dict_type": _structure("keys of its own", "write `key: value` pairs, indented under it"),
    "tuple_type": _structure("a list", "write `{key}: [one, two]` or lines that begin with `- `"),
    "string_type": _structure("a text", "write `{key}: {example}`"),
    "int_parsing": _structure("a whole number", "write a plain number such as `{example}`"),
    "int_type": _structure("a whole number", "write a plain number such as `{example}`"),
    "int_parsing_size": _structure("a whole number", "write a smaller number"),
    "int_from_float": _structure("a whole number", "write a plain number such as `{example}`"),
    "float_type": _structure("a quantity", "write it like `{key}: {example}`"),
    "bool_type": _structure("yes or no", "write yes or no"),
    "date_type": _structure("a date", "write it as 2026-10-09"),
    "time_type": _structure("a time of day", "write it as 21:30"),
}


def field_of(model: type[FileModel] | None, key: str) -> tuple[str, FieldInfo] | None:
    """The field of `model` that stands under `key` in the file."""
    if model is None:
        return None
    for name, info in model.model_fields.items():
        if key in (info.validation_alias, name) or file_key(name) == key:
            return name, info
    return None


def _suffix(model: type[FileModel] | None, key: str) -> str | None:
    found = field_of(model, key)
    if found is None:
        return None
    return next((s for s in _EXAMPLES if found[0].endswith(s)), None)


def example(model: type[FileModel] | None, key: str) -> str:
    """A value that could stand under `key`."""
    found = field_of(model, key)
    if found is None:
        return "…"
    if suffix := _suffix(model, key):
        return _EXAMPLES[suffix]
    if enum := first_class(found[1].annotation, StrEnum):
        return str(next(iter(enum.__members__.values())).value)
    if found[0] in _SAMPLES:
        return _SAMPLES[found[0]]
    if first_class(found[1].annotation, int):
        return "1"
    return "…"


def first_class(annotation: Any, base: type) -> type[Any] | None:
    """The first class within an annotation that derives from `base`."""
    if isinstance(annotation, type) and not get_args(annotation):
        return annotation if issubclass(annotation, base) else None
    for part in get_args(annotation):
        if (found := first_class(part, base)) is not None:
            return found
    return None
