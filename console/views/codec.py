"""Entities to JSON and back, as they travel on the engine's socket."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import fields
from enum import StrEnum
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pydantic_core

from console.views.models import KINDS, Entity


class BadEntity(ValueError):
    """What came is no entity that this program knows."""


def to_text(entity: Entity) -> str:
    """An entity as JSON text."""
    return pydantic_core.to_json(entity).decode()


def to_json(entity: Entity) -> dict[str, Any]:
    """A plain object of an entity, ready for `json.dumps`."""
    made: dict[str, Any] = json.loads(pydantic_core.to_json(entity))
    return made


def from_json(key: str, body: Mapping[str, Any]) -> Entity:
    """The entity of a key. Fields that are not known are ignored, missing ones take their default.

    Raises BadEntity for an unknown kind, a missing field without a default, or a wrong value.
    """
    kind = KINDS.get(key.partition("/")[0])
    if kind is None:
        raise BadEntity(f"no entity is called {key!r}")
    try:
        made: Entity = _make(kind, body)
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise BadEntity(f"{key}: {error}") from None
    return made


def _make(kind: type[Any], body: Mapping[str, Any]) -> Any:
    readers = _readers(kind)
    return kind(**{name: readers[name](value) for name, value in body.items() if name in readers})


_known: dict[type[Any], dict[str, Callable[[Any], Any]]] = {}


def _readers(kind: type[Any]) -> dict[str, Callable[[Any], Any]]:
    known = _known.get(kind)
    if known is None:
        hints = get_type_hints(kind)
        known = _known[kind] = {f.name: _reader(hints[f.name]) for f in fields(kind)}
    return known


def _reader(hint: Any) -> Callable[[Any], Any]:
    origin = get_origin(hint)
    if origin is tuple:
        inner = get_args(hint)
        if len(inner) == 2 and inner[1] is Ellipsis:
            each = _reader(inner[0])
            return lambda value: tuple(each(item) for item in value)
        readers = [_reader(arg) for arg in inner]
        return lambda value: tuple(r(item) for r, item in zip(readers, value, strict=True))
    if origin in (Union, UnionType):
        inner_reader = _reader(next(a for a in get_args(hint) if a is not NoneType))
        return lambda value: None if value is None else inner_reader(value)
    if hasattr(hint, "__dataclass_fields__"):
        return lambda value: _make(hint, value)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint
    return _exact(hint)


def _exact(hint: type[Any]) -> Callable[[Any], Any]:
    allowed = (int, float) if hint is float else (hint,)

    def read(value: Any) -> Any:
        if type(value) not in allowed:
            raise TypeError(f"{value!r} is no {hint.__name__}")
        return hint(value)

    return read
