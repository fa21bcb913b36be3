"""What every model of the site file shares: frozen, strict about keys, units in field names.

A field carries its unit in its name (`travel_ms`); in the file the quantity carries it, so the key
is the name without the unit (`travel: 350 ms`). Fields that the loader works out, such as a prop's
number on its controller, have a key in brackets that a file is told it doesn't know.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Protocol, TypeVar

from pydantic import AliasGenerator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

UNIT_SUFFIXES = (
    "_ms", "_h", "_psi", "_in", "_ft", "_lbf", "_lb", "_gal", "_scfm", "_v", "_a", "_w", "_deg",
    "_degf", "_per_min",
)  # fmt: skip
"""Endings of field names that the file doesn't show."""

NAME_KEY = "(name)"
"""Where the key of a named entry is put before its body is validated."""


def file_key(field: str) -> str:
    """The key that stands in the file for a field of a model."""
    for suffix in UNIT_SUFFIXES:
        if field.endswith(suffix):
            return field.removesuffix(suffix)
    return field


class FileModel(BaseModel):
    """A mapping of the site file."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        alias_generator=AliasGenerator(validation_alias=file_key),
        validate_by_name=True,
        validate_by_alias=True,
        arbitrary_types_allowed=False,
    )


def computed(default: Any) -> Any:
    """A field that the loader fills in and a file cannot."""
    return Field(default=default, validation_alias="(computed)")


def file_keys(model: type[BaseModel]) -> tuple[str, ...]:
    """The keys that the file may use for `model`, in order of definition."""
    keys = []
    for name, info in model.model_fields.items():
        alias = info.validation_alias
        key = alias if isinstance(alias, str) else name
        if not key.startswith("("):
            keys.append(key)
    return tuple(keys)


T = TypeVar("T")


def _bodies(value: object) -> object:
    """Turn `{name: body}` into a list of bodies that know their names."""
    if not isinstance(value, Mapping):
        if isinstance(value, str):
            raise PydanticCustomError(
                "named_entries", "{found} stands where named entries belong", {"found": value}
            )
        return value
    return [
        {**body, NAME_KEY: name} if isinstance(body, Mapping) else body
        for name, body in value.items()
    ]


Named = Annotated[tuple[T, ...], BeforeValidator(_bodies)]
"""Entries under their names, in the order of the file."""


class _HasName(Protocol):
    @property
    def name(self) -> str: ...


N = TypeVar("N", bound=_HasName)


def named(entries: Iterable[N], name: str) -> N:
    """The entry of this name; raises KeyError."""
    for entry in entries:
        if entry.name == name:
            return entry
    raise KeyError(name)
