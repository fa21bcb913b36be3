"""Rows of the ledger as CSV, JSON or a table of text.

In CSV and JSON every wall clock appears twice: as a time in UTC (`started`,
`2026-11-01T05:30:00.000000Z`), which data libraries read with its zone, and as the integer that the
ledger keeps (`started_ns`). The table shows local time with its offset, which tells the two hours
apart that an autumn night has twice.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from itertools import chain, islice
from typing import Any, TextIO

from console.ledger.entries import Travel

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MEASURED_ROWS = 500


def utc_text(wall_ns: int) -> str:
    """A wall clock as an ISO 8601 time in UTC, to the microsecond."""
    moment = _EPOCH + timedelta(microseconds=wall_ns // 1000)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def local_text(wall_ns: int) -> str:
    """A wall clock in the machine's time zone, to the millisecond, with its offset."""
    moment = (_EPOCH + timedelta(microseconds=wall_ns // 1000)).astimezone()
    return f"{moment:%Y-%m-%d %H:%M:%S}.{moment.microsecond // 1000:03d} {moment:%z}"


def columns(row_type: type[Any]) -> list[str]:
    """The names under which rows of this kind are written."""
    names: list[str] = []
    for name in row_type._fields:
        if name.endswith("_ns"):
            names.append(_time_name(name))
        names.append("night" if name == "date" else name)
    return names


def as_mapping(row: Any) -> dict[str, Any]:
    """One row as plain JSON values under the names of `columns`."""
    values: dict[str, Any] = {}
    for name, value in row._asdict().items():
        if name.endswith("_ns"):
            values[_time_name(name)] = None if value is None else utc_text(value)
        if name == "travels":
            value = [travel._asdict() for travel in value]
        values["night" if name == "date" else name] = value
    return values


def write_json(rows: Iterable[Any], out: TextIO) -> int:
    """Write an array of objects, one a line; returns how many."""
    count = 0
    out.write("[")
    for row in rows:
        out.write(",\n" if count else "\n")
        out.write(json.dumps(as_mapping(row), ensure_ascii=False))
        count += 1
    out.write("\n]\n")
    return count


def write_csv(rows: Iterable[Any], row_type: type[Any], out: TextIO) -> int:
    """Write CSV by RFC 4180 with one line of names; returns how many rows.

    Travel times stand in one column as `lid out 340; lid back 410`, details as JSON.
    """
    writer = csv.DictWriter(out, columns(row_type))
    writer.writeheader()
    count = 0
    for row in rows:
        values = as_mapping(row)
        for name, value in values.items():
            if isinstance(value, Mapping):
                values[name] = json.dumps(value, ensure_ascii=False)
        if "travels" in values:
            values["travels"] = travels_text(row.travels)
        writer.writerow(values)
        count += 1
    return count


def write_table(rows: Iterable[Any], names: Mapping[str, str], out: TextIO) -> int:
    """Write the fields named by the keys of `names` under its values; returns how many rows.

    Column widths come from the first rows, so that the rest can be written as it is read.
    """
    lines = (tuple(_cell(name, getattr(row, name)) for name in names) for row in rows)
    head = list(islice(lines, _MEASURED_ROWS))
    cells = list(zip(names, names.values(), *head, strict=True))
    widths = [max(map(len, column[1:])) for column in cells]
    right = [all(map(_is_number, column[2:])) for column in cells]
    count = 0
    for line in chain([tuple(names.values())], head, lines):
        padded = (
            cell.rjust(width) if to_right else cell.ljust(width)
            for cell, width, to_right in zip(line, widths, right, strict=True)
        )
        out.write("  ".join(padded).rstrip() + "\n")
        count += 1
    return count - 1


def travels_text(travels: Iterable[Travel]) -> str:
    """Travel times in one line: `lid out 340; lid back 410`, in milliseconds."""
    return "; ".join(f"{travel.motion} {travel.direction} {travel.ms}" for travel in travels)


def _time_name(name: str) -> str:
    return "time" if name == "wall_ns" else name.removesuffix("_ns")


def _cell(name: str, value: object) -> str:
    if value is None or value == "":
        return "-"
    if isinstance(value, int) and name.endswith("_ns"):
        return local_text(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        text = " ".join(f"{key}={item}" for key, item in value.items()) or "-"
    elif isinstance(value, tuple):
        text = travels_text(value) or "-"
    else:
        text = str(value)
    # Names come from files and wires; a terminal would obey what it is not meant to.
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def _is_number(cell: str) -> bool:
    return cell.replace(".", "", 1).isdecimal()
