"""Bytes to frames and back, without any input or output.

A frame is one readable line: `~AA WORD WORD ...#CCCC` and a line feed. `AA` is the address in
hexadecimal, `CCCC` the CRC-16/IBM-3740 of everything between `~` and `#`. A `~` always begins a
new frame, so one lost byte costs one frame. The byte `STOP_BYTE` is no part of any frame; it may
stand anywhere in the stream, it drops the frame under way, and it means all-stop.
"""

from __future__ import annotations

import binascii
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

STOP_BYTE = 0x18
"""ASCII CAN: all-stop, wherever it stands in the stream."""

START = ord("~")
CHECK = ord("#")
END = ord("\n")
LONGEST_FRAME = 200
"""Bytes of the longest frame, from `~` to the line feed. A board may take less: see the hello."""


def crc16(data: bytes, start: int = 0xFFFF) -> int:
    """CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, not reflected, no final xor)."""
    return binascii.crc_hqx(data, start)


class DamageKind(StrEnum):
    """Why bytes were thrown away."""

    CHECKSUM = "checksum"  # the frame is whole but its CRC does not match
    CUT = "cut"  # a new frame or a stop began before this one ended
    TOO_LONG = "too long"  # more bytes than the longest frame
    MALFORMED = "malformed"  # no address, no CRC, or a byte that is not printable ASCII
    NOISE = "noise"  # bytes outside any frame


@dataclass(frozen=True, slots=True)
class Frame:
    """One whole frame with a correct checksum."""

    address: int
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StopByte:
    """The all-stop byte was in the stream."""


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes that made no frame; kept short for the record of a fault."""

    kind: DamageKind
    data: bytes


Received = Frame | StopByte | Damaged


def encode(address: int, words: Sequence[str]) -> bytes:
    """The bytes of one frame.

    Raises ValueError for an address outside 0..255, for no words, for a word that is empty or
    holds anything but printable ASCII without space, `~` and `#`, or for a frame too long.
    """
    if not 0 <= address <= 0xFF:
        raise ValueError(f"address {address} is outside 0..255")
    if not words:
        raise ValueError("a frame needs at least one word")
    for word in words:
        if not word or any(not "!" <= c <= "}" or c == "#" for c in word):
            raise ValueError(f"{word!r} cannot be a word of a frame")
    body = f"{address:02X} {' '.join(words)}".encode("ascii")
    frame = b"~%b#%04X\n" % (body, crc16(body))
    if len(frame) > LONGEST_FRAME:
        raise ValueError(f"a frame of {len(frame)} bytes is longer than {LONGEST_FRAME}")
    return frame


class Framer:
    """Takes bytes as they come and gives what they make, in order.

    It holds at most one frame's bytes and never raises, whatever it is fed. Runs of bytes outside
    frames are reported once each, when they end.
    """

    def __init__(self, longest: int = LONGEST_FRAME) -> None:
        self._longest = longest
        self._frame: bytearray | None = None
        self._noise = bytearray()

    def feed(self, data: bytes) -> list[Received]:
        """Everything that `data` completes: frames, stop bytes and damage, in stream order."""
        out: list[Received] = []
        for byte in data:
            if byte == STOP_BYTE:
                self._drop(out)
                out.append(StopByte())
            elif byte == START:
                self._drop(out)
                self._frame = bytearray()
            elif self._frame is None:
                if byte not in b"\r\n":
                    self._noise.append(byte)
                    if len(self._noise) >= self._longest:
                        self._drop(out)
            elif byte == END:
                out.append(_parse(bytes(self._frame)))
                self._frame = None
            else:
                self._frame.append(byte)
                if len(self._frame) + 2 > self._longest:
                    out.append(Damaged(DamageKind.TOO_LONG, bytes(self._frame[:32])))
                    self._frame = None
        return out

    def _drop(self, out: list[Received]) -> None:
        if self._noise:
            out.append(Damaged(DamageKind.NOISE, bytes(self._noise[:32])))
            self._noise.clear()
        if self._frame is not None:
            out.append(Damaged(DamageKind.CUT, bytes(self._frame[:32])))
            self._frame = None


_HEX = frozenset(b"0123456789ABCDEF")


def _parse(body: bytes) -> Frame | Damaged:
    text = body[:-1] if body.endswith(b"\r") else body
    content, mark, check = text[:-5], text[-5:-4], text[-4:]
    shaped = (
        mark == b"#"
        and len(content) >= 4
        and content[2:3] == b" "
        and all(c in _HEX for c in content[:2] + check)
        and all(0x20 <= c < 0x7E and c != CHECK for c in content)
    )
    if not shaped:
        return Damaged(DamageKind.MALFORMED, bytes(body[:32]))
    if crc16(content) != int(check, 16):
        return Damaged(DamageKind.CHECKSUM, bytes(body[:32]))
    words = content[3:].decode("ascii").split(" ")
    if not all(words):
        return Damaged(DamageKind.MALFORMED, bytes(body[:32]))
    return Frame(int(content[:2], 16), tuple(words))
