"""Scalars of the site file: quantities with units, yes and no, names, text, dates.

The loader hands over every scalar as the text that stands in the file; values built in Python are
taken as they are, in the unit of the field's name.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from console.figures.units import UnitError, quantity

TITLE_LIMIT = 60
TEXT_LIMIT = 400

_YES = frozenset({"yes", "true", "on"})
_NO = frozenset({"no", "false", "off"})
_SLUG = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_BOARD_ID = re.compile(r"[A-Za-z0-9_-]{1,12}")


def _reader(unit: str) -> Callable[[object], object]:
    def read(value: object) -> object:
        if not isinstance(value, str):
            return value
        try:
            return quantity(value, unit)
        except UnitError as error:
            raise PydanticCustomError(
                "quantity", "{problem}", {"problem": str(error), "unit": unit}
            ) from None

    return read


def _whole(value: object) -> object:
    return round(value) if isinstance(value, float) and abs(value) < 1e15 else value


def _whole_reader(unit: str) -> Callable[[object], object]:
    read = _reader(unit)
    return lambda value: _whole(read(value))


Ms = Annotated[int, BeforeValidator(_whole_reader("ms")), Field(ge=0, le=86_400_000)]
"""A time in whole milliseconds, at most a day."""
Hours = Annotated[float, BeforeValidator(_reader("h")), Field(gt=0)]
Psi = Annotated[float, BeforeValidator(_reader("psi")), Field(ge=0, le=300)]
"""A gauge pressure in psi."""
Inches = Annotated[float, BeforeValidator(_reader("in")), Field(gt=0)]
Feet = Annotated[float, BeforeValidator(_reader("ft")), Field(gt=0)]
PoundsForce = Annotated[float, BeforeValidator(_reader("lbf")), Field(ge=0)]
Pounds = Annotated[float, BeforeValidator(_reader("lb")), Field(ge=0)]
Gallons = Annotated[float, BeforeValidator(_reader("gal")), Field(gt=0)]
Scfm = Annotated[float, BeforeValidator(_reader("scfm")), Field(ge=0)]
Volts = Annotated[float, BeforeValidator(_reader("V")), Field(ge=0, le=60)]
Amperes = Annotated[float, BeforeValidator(_reader("A")), Field(gt=0)]
Watts = Annotated[float, BeforeValidator(_reader("W")), Field(ge=0)]
Degrees = Annotated[float, BeforeValidator(_reader("deg")), Field(gt=0, lt=360)]
Fahrenheit = Annotated[float, BeforeValidator(_reader("degF"))]
PerMinute = Annotated[float, BeforeValidator(_reader("1/min")), Field(gt=0)]
Conductance = Annotated[float, BeforeValidator(_reader("dm3/s/bar")), Field(gt=0)]
"""Sonic conductance by ISO 6358 in dm³/(s·bar)."""
Cv = Annotated[float, BeforeValidator(_reader("")), Field(gt=0)]
"""Flow coefficient: US gallons of water a minute at 1 psi of drop."""
Ratio = Annotated[float, BeforeValidator(_reader("")), Field(gt=0, lt=1)]


def _switch(value: object) -> object:
    if not isinstance(value, str):
        return value
    word = value.lower()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise PydanticCustomError("yes_no", "{found} is neither yes nor no", {"found": value})


Switch = Annotated[bool, BeforeValidator(_switch)]
"""`yes` or `no`; `on`/`off` and `true`/`false` do as well."""


def check_plain(value: str) -> str:
    """Return `value` if it can be shown anywhere as it is.

    Raises PydanticCustomError for control and direction characters, and for square brackets, which
    terminals and mark-up could read as orders.
    """
    for char in value:
        if not char.isprintable():
            raise PydanticCustomError(
                "control_character", "contains the control character U+{code}",
                {"code": f"{ord(char):04X}"},
            )  # fmt: skip
    if "[" in value or "]" in value:
        raise PydanticCustomError("markup", "contains square brackets, which read as mark-up", {})
    return value


Title = Annotated[str, Field(min_length=1, max_length=TITLE_LIMIT), AfterValidator(check_plain)]
"""A name for people."""
Text = Annotated[str, Field(min_length=1, max_length=TEXT_LIMIT), AfterValidator(check_plain)]
"""A sentence for people."""


def _slug(value: str) -> str:
    check_plain(value)
    if len(value) > 24 or not _SLUG.fullmatch(value):
        raise PydanticCustomError("slug", "{found} is no name", {"found": value})
    return value


Slug = Annotated[str, AfterValidator(_slug)]
"""A name for the file and the shell: lower-case letters, digits and single hyphens."""


def _board_id(value: str) -> str:
    check_plain(value)
    if not _BOARD_ID.fullmatch(value):
        raise PydanticCustomError("board_id", "{found} is no board id", {"found": value})
    return value


BoardId = Annotated[str, AfterValidator(_board_id)]
"""What a board calls itself: 1 to 12 of A-Z a-z 0-9 _ -"""


def _date(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return dt.date.fromisoformat(value)
    except ValueError:
        raise PydanticCustomError("date", "{found} is no date", {"found": value}) from None


def _clock(value: object) -> object:
    if not isinstance(value, str):
        return value
    if re.fullmatch(r"\d{1,2}:\d{2}", value):
        hour, minute = map(int, value.split(":"))
        if hour < 24 and minute < 60:
            return dt.time(hour, minute)
    raise PydanticCustomError("clock", "{found} is no time of day", {"found": value})


Date = Annotated[dt.date, BeforeValidator(_date)]
"""A date, `2026-10-09`."""
Clock = Annotated[dt.time, BeforeValidator(_clock)]
"""A time of day on the site's clock, `21:30`."""
