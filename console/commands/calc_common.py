"""What all of `sexton calc` shares: defining options, reading them, printing an answer."""

from __future__ import annotations

import argparse
import functools
import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from console.errors import UserError

Number = float | int
Value = Number | Sequence[Number] | dict[str, list[Number | None]]

Subparsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

_METAVARS = {
    "--allowance": "K",
    "--angle": "ANGLE",
    "--arm": "LENGTH",
    "--awg": "SIZE",
    "--b10d": "CYCLES",
    "--base": "LENGTH",
    "--bore": "LENGTH",
    "--bounds": "CONFIDENCE",
    "--busy": "TIME",
    "--censored": "VALUES",
    "--conductance": "DM3/S/BAR",
    "--confidence": "SHARE",
    "--critical": "RATIO",
    "--current": "CURRENT",
    "--cv": "CV",
    "--days": "DAYS",
    "--decision": "H",
    "--down": "PRESSURE",
    "--down-abs": "PRESSURE",
    "--every": "TIME",
    "--failures": "VALUES",
    "--from": "PRESSURE",
    "--head-start": "SUM",
    "--hours": "HOURS",
    "--length": "LENGTH",
    "--limit": "SIGMAS",
    "--mean": "DEMAND",
    "--minutes": "MINUTES",
    "--off": "TIME",
    "--on": "TIME",
    "--power": "POWER",
    "--pressure": "PRESSURE",
    "--rate": "RATE",
    "--rod": "LENGTH",
    "--sigma": "SIGMA",
    "--start": "MEAN",
    "--stroke": "LENGTH",
    "--supply": "FLOW",
    "--target": "MEAN",
    "--temp": "TEMPERATURE",
    "--time": "TIME",
    "--to": "PRESSURE",
    "--up": "PRESSURE",
    "--up-abs": "PRESSURE",
    "--use": "FLOW",
    "--values": "VALUES",
    "--voltage": "VOLTAGE",
    "--volume": "VOLUME",
    "--weight": "WEIGHT",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One result: its key in JSON, its words and unit in the table."""

    key: str
    value: Value
    label: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """A figure's results with the formula and where it comes from.

    `columns` is a table by value, its headings first, for figures that give lists.
    """

    rows: tuple[Row, ...]
    formula: str
    source: str
    note: str = ""
    columns: tuple[tuple[str, ...], ...] = ()


def add_figure(
    subparsers: Subparsers,
    name: str,
    summary: str,
    compute: Callable[[argparse.Namespace], Answer],
    *,
    examples: Sequence[str],
    needs: Sequence[str] = (),
    offers: Sequence[str] = (),
    help_for: Mapping[str, str] | None = None,
) -> argparse.ArgumentParser:
    """Define `sexton calc NAME`, computed by `compute`, and return its parser.

    `needs` are the options that must be given, `offers` those that may; `help_for` explains those
    whose name does not.
    """
    parser = subparsers.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog="examples:\n" + "\n".join(f"  sexton calc {name} {line}" for line in examples),
    )
    # Otherwise a list such as -1.5,2 or a temperature such as -5degC is taken for an option.
    parser._negative_number_matcher = re.compile(r"-\.?\d")
    for option in (*needs, *offers):
        parser.add_argument(
            option,
            dest=dest(option),
            required=option in needs,
            metavar=_METAVARS[option],
            help=(help_for or {}).get(option),
        )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=functools.partial(_run, name, compute))
    return parser


def given(option: str, text: str, unit: str, *, bare: bool = False) -> float:
    """Return an option's quantity in `unit`; with `bare`, a number alone is taken to be in it.

    Raises:
        UserError: The text is no such quantity.
    """
    from console.figures.units import UnitError, quantity

    if bare:
        try:
            return quantity(text, "")
        except UnitError as error:
            if unit == "":
                raise UserError(f"{option}: {error}") from None
    try:
        return quantity(text, unit)
    except UnitError as error:
        raise UserError(f"{option}: {error}") from None


def volume_ft3(option: str, text: str) -> float:
    """Return a tank's volume in cubic feet, gallons by the factor that the sources use.

    Raises:
        UserError: The text is no volume.
    """
    from console.figures.receiver import GALLONS_PER_FT3

    if "gal" in text:
        return given(option, text, "gal") / GALLONS_PER_FT3
    return given(option, text, "ft3")


def together(arguments: argparse.Namespace, *ways: Sequence[str]) -> int:
    """Return which of several sets of options was given in full.

    Raises:
        UserError: None is complete, or options of two sets are mixed.
    """
    present = [[name for name in way if getattr(arguments, dest(name)) is not None] for way in ways]
    started = [index for index, names in enumerate(present) if names]
    choices = " or ".join(" ".join(way) for way in ways)
    if len(started) != 1:
        raise UserError(
            "these options belong to different questions" if started else "options are missing",
            f"Give either {choices}.",
        )
    index = started[0]
    missing = [name for name in ways[index] if name not in present[index]]
    if missing:
        raise UserError(f"missing: {' '.join(missing)}", f"Give either {choices}.")
    return index


def dest(option: str) -> str:
    """Return the attribute under which argparse keeps an option of these commands."""
    return option.removeprefix("--").replace("-", "_") + ("_" if option == "--from" else "")


def _run(
    name: str, compute: Callable[[argparse.Namespace], Answer], arguments: argparse.Namespace
) -> int:
    from console.figures.inputs import FigureError

    try:
        answer = compute(arguments)
    except FigureError as error:
        raise UserError(f"calc {name}: {error}", f"See `sexton calc {name} --help`.") from None
    except (OverflowError, ZeroDivisionError):
        raise UserError(f"calc {name}: these inputs are beyond anything real") from None
    except UserError as error:
        hint = error.hint or f"See `sexton calc {name} --help`."
        raise UserError(f"calc {name}: {error.message}", hint) from None
    if not all(math.isfinite(number) for row in answer.rows for number in _numbers(row.value)):
        raise UserError(f"calc {name}: these inputs are beyond anything real")
    if arguments.json:
        print(json.dumps({row.key: row.value for row in answer.rows}, allow_nan=False))
    else:
        print(_table(answer))
    return 0


def _numbers(value: Value) -> list[Number]:
    if isinstance(value, dict):
        return [n for pair in value.values() for n in pair if n is not None]
    return list(value) if isinstance(value, Sequence) else [value]


def _table(answer: Answer) -> str:
    listed = answer.columns[0] if answer.columns else ()
    shown = [
        (row.label, f"{_short(row.value)} {row.unit}".strip())
        for row in answer.rows
        if row.key not in listed
    ]
    shown += [("formula", answer.formula), ("source", answer.source)]
    if answer.note:
        shown.append(("note", answer.note))
    width = max(len(label) for label, _ in shown)
    lines = [f"{label:<{width}}  {value}" for label, value in shown]
    if answer.columns:
        widths = [max(map(len, column)) for column in zip(*answer.columns, strict=True)]
        rows = (
            "  ".join(f"{cell:>{w}}" for cell, w in zip(row, widths, strict=True)).rstrip()
            for row in answer.columns
        )
        lines = [*rows, "", *lines]
    return "\n".join(lines)


def _short(value: Value) -> str:
    if isinstance(value, dict):
        return ", ".join(
            f"{name} {' to '.join('none' if n is None else f'{n:.5g}' for n in pair)}"
            for name, pair in value.items()
        )
    if isinstance(value, Sequence):
        return " ".join(f"{number:.6g}" for number in value) or "none"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
