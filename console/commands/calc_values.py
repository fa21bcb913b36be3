"""Lists of numbers for `sexton calc`: in place, from a file, or from standard input."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from console.commands.calc_common import given
from console.errors import UserError

_INLINE = re.compile(r"[0-9eExX+.,;\s-]+")
_COUNTED = re.compile(r"(?P<value>[^xX]+)[xX](?P<count>[0-9]{1,9})")
_MOST_VALUES = 1_000_000


def values(option: str, text: str | None) -> tuple[float, ...]:
    """Return the numbers of an option: in place, in a file, or (`-` or left out) standard input.

    In place they stand between commas or spaces, in a file one a line; `500x10` is ten times 500,
    and `#` begins a remark.

    Raises:
        UserError: There are none, one is not a number, or the file cannot be read.
    """
    if text is None and sys.stdin.isatty():
        raise UserError(
            f"{option} is missing", f"Give {option} 1,2,3 or a file, or pipe one value a line."
        )
    if text is None or text == "-":
        lines, name = _lines(option, None), "standard input"
    elif _INLINE.fullmatch(text):
        lines, name = [text], ""
    else:
        name = text.removeprefix("@")
        lines = _lines(option, name)
    found: list[float] = []
    for number, line in enumerate(lines, start=1):
        where = f"{name}:{number}" if name else option
        for word in re.split(r"[,;\s]+", line.partition("#")[0].strip()):
            found += _counted(where, word) if word else ()
            if len(found) > _MOST_VALUES:
                raise UserError(f"{where}: over {_MOST_VALUES} values")
    if not found:
        raise UserError(f"{option}: no values" + (f" in {name}" if name else ""))
    return tuple(found)


def _counted(where: str, word: str) -> list[float]:
    match = _COUNTED.fullmatch(word)
    if match is None:
        return [given(where, word, "", bare=True)]
    count = int(match["count"])
    if not 1 <= count <= _MOST_VALUES:
        raise UserError(f"{where}: {word!r} counts no sensible number of times")
    return [given(where, match["value"], "", bare=True)] * count


def _lines(option: str, name: str | None) -> list[str]:
    try:
        text = sys.stdin.read() if name is None else Path(name).read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not text"
        what = "standard input cannot be read"
        if name is not None:
            what = f"{name!r} is neither a list of numbers nor a file to read"
        raise UserError(f"{option}: {what} ({reason})") from None
    return text.splitlines()
