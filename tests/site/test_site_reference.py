"""configs/README.md says what every key is, and no more keys than there are."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import Any

import pytest
from pydantic.fields import FieldInfo

from console.site import hardware, models, props
from console.site.base import FileModel, file_keys
from console.site.capacity import CAPACITIES
from console.site.wording import first_class

README = (Path(__file__).parents[2] / "configs" / "README.md").read_text(encoding="utf-8")
UNSEEN = {"FileModel", "Limits", "Switched", "Step"}
"""Models that no key of a file leads to by themselves."""

MODELS = {
    name: thing
    for module in (models, hardware, props)
    for name, thing in vars(module).items()
    if isinstance(thing, type) and issubclass(thing, FileModel) and name not in UNSEEN
}


def table(name: str) -> dict[str, tuple[bool, str]]:
    """The keys of a section's table, each with whether it is needed and the rest of its row."""
    section = re.search(rf"^##+ {name}\n(.*?)(?=^##|\Z)", README, re.M | re.S)
    assert section, f"no section {name}"
    rows = re.findall(r"^\| (\*\*)?(\w+)\1? \| (.*) \|$", section[1], re.M)
    return {key: (bool(stars), rest) for stars, key, rest in rows if key != "key"}


def fields(model: type[FileModel]) -> dict[str, FieldInfo]:
    """The fields that a file may give, by key."""
    seen = [f for f in model.model_fields.values() if not str(f.validation_alias).startswith("(")]
    return dict(zip(file_keys(model), seen, strict=True))


@pytest.mark.parametrize("name", MODELS)
def test_every_key_has_its_row(name: str) -> None:
    """The table of a model lists its keys and no other, the needed ones in bold."""
    assert {k: needed for k, (needed, _) in table(name).items()} == {
        key: info.is_required() for key, info in fields(MODELS[name]).items()
    }


@pytest.mark.parametrize("name", MODELS)
def test_every_choice_is_named(name: str) -> None:
    """Where a key takes one of a few words, all of them stand in its row."""
    for key, info in fields(MODELS[name]).items():
        enum: Any = first_class(info.annotation, StrEnum)
        if enum is None:
            continue
        row = table(name)[key][1]
        hidden = {"motion"} if name == "Output" else set()
        if key in ("part", "ceiling"):  # their words are listed at the kind and the strength
            continue
        missing = {m.value for m in enum} - hidden - set(re.findall(r"`([^`]+)`", row))
        assert not missing, f"{name}.{key}: {missing}"


def test_capacities_are_as_the_table_says() -> None:
    """The table of boards carries the numbers of the code."""
    for (_, board), room in CAPACITIES.items():
        row = f"| {board} | {room.props} | {room.outputs} | {room.inputs} | {room.sequences} "
        assert row + f"| {room.steps} |" in README
