"""Finding the stop keys and clicks in the bytes that a terminal sends, as they come.

Pure, and standard library only. The parser only looks: whoever feeds it passes every byte on
unchanged, at once, so a sequence that is still incomplete holds nothing up. It has no state for
pastes or for a terminal's answers, on purpose: a stop counts wherever it turns up.

Forms understood, with their sources:

- legacy: `Ctrl+X` is the byte 0x18 (ECMA-48 CAN), `F9` is `CSI 20 ~`, with modifiers
  `CSI 20 ; m ~` (xterm, "PC-Style Function Keys"); rxvt ends it in `^`, `$` or `@` instead;
- kitty keyboard protocol, "Key codes": `CSI code:shifted:base ; modifiers:event ; text u`, where
  modifiers are one more than a bit field in which 4 is Ctrl and 64 and 128 are the locks, and event
  3 is a release;
- xterm modifyOtherKeys: `CSI 27 ; modifiers ; code ~`;
- SGR mouse reports (xterm, "Extended coordinates"): `CSI < button ; column ; row M`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import Enum

KEY_F9 = "key F9"
KEY_CTRL_X = "key Ctrl+X"

_CAN, _ESC = 0x18, 0x1B
_CTRL = 4
_RELEASE = 3
_LONGEST = 64
"""Parameter bytes of a key or a click never come near this; what is longer is something else."""

_X_CODES = frozenset({ord("x"), ord("X")})
_F9_FINALS = b"~^$@"
_CLICK = re.compile(rb"<(\d{1,4});(\d{1,5});(\d{1,5})$")
_MODIFIERS_HELD = 4 | 8 | 16
"""Bits of a mouse button's number that say which keys were held."""


@dataclass(frozen=True, slots=True)
class StopKey:
    """A stop key was pressed. `source` is `KEY_F9` or `KEY_CTRL_X`."""

    source: str


@dataclass(frozen=True, slots=True)
class Click:
    """The left button went down at (`column`, `row`), counted from 0."""

    column: int
    row: int


class _At(Enum):
    """Where in the stream the parser stands."""

    TEXT = 0  # outside any sequence
    ESCAPE = 1  # after ESC
    PARAMETERS = 2  # after CSI


@dataclass(slots=True)
class StopKeys:
    """Parser of one terminal's bytes; `feed` may cut them anywhere."""

    _at: _At = _At.TEXT
    _parameters: bytearray = field(default_factory=bytearray)

    def feed(self, data: bytes) -> list[StopKey | Click]:
        """The presses and clicks that `data` completes, in order."""
        if self._at is _At.TEXT and _ESC not in data and _CAN not in data:
            return []
        found: list[StopKey | Click] = []
        for byte in data:
            if byte == _CAN:
                self._at = _At.TEXT
                found.append(StopKey(KEY_CTRL_X))
            elif byte == _ESC:
                self._at = _At.ESCAPE
            elif self._at is _At.ESCAPE:
                self._at = _At.PARAMETERS if byte == ord("[") else _At.TEXT
                self._parameters.clear()
            elif self._at is _At.PARAMETERS and (event := self._parameter(byte)):
                found.append(event)
        return found

    def _parameter(self, byte: int) -> StopKey | Click | None:
        """Take one byte after CSI; returns what it completes."""
        if byte < 0x20:  # ECMA-48: control characters act inside a sequence without ending it
            return None
        ends = 0x40 <= byte <= 0x7E or (byte == ord("$") and self._parameters == b"20")
        if ends:
            self._at = _At.TEXT
            return _meaning(bytes(self._parameters), byte)
        self._parameters.append(byte)
        if byte > 0x7E or len(self._parameters) > _LONGEST:
            self._at = _At.TEXT
        return None


def _meaning(parameters: bytes, final: int) -> StopKey | Click | None:
    """What one whole control sequence says, if it concerns a stop."""
    if final == ord("M"):
        return _click(parameters)
    if final not in b"u" + _F9_FINALS:
        return None
    try:
        numbers = [[int(n or b"0") for n in p.split(b":")] for p in parameters.split(b";")]
    except ValueError:
        return None
    first = numbers[0]
    modifiers = numbers[1] if len(numbers) > 1 else [1]
    if len(modifiers) > 1 and modifiers[1] == _RELEASE:
        return None
    ctrl = bool(max(modifiers[0] - 1, 0) & _CTRL)
    if final == ord("u"):
        return StopKey(KEY_CTRL_X) if ctrl and _is_x(first) else None
    if first[0] == 20:
        return StopKey(KEY_F9)
    if first[0] == 27 and len(numbers) > 2 and ctrl and numbers[2][0] in _X_CODES:
        return StopKey(KEY_CTRL_X)
    return None


def _is_x(code: list[int]) -> bool:
    """Whether a kitty key code is the X key.

    The base layout counts where the key has no Latin letter, as on a Greek keyboard. Where it has
    one that letter counts alone, or `Ctrl+Q` of a Dvorak keyboard would stop the night.
    """
    if code[0] in _X_CODES:
        return True
    return code[0] > 0x7F and len(code) > 2 and code[2] in _X_CODES


def _click(parameters: bytes) -> Click | None:
    """The click in an SGR mouse report, if its left button went down."""
    report = _CLICK.match(parameters)
    if report is None:
        return None
    button, column, row = (int(n) for n in report.groups())
    if button & ~_MODIFIERS_HELD:
        return None
    return Click(column - 1, row - 1)
