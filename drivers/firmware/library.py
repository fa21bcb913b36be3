"""The real firmware core on virtual time: a board that the caller's clock drives.

The C core is built as a shared library and bound with ctypes. Nothing here reads a clock, so a
whole night runs as fast as the machine can, and power can be cut at any byte of memory.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from drivers.firmware import build
from drivers.words import ResetCause

NEVER_US = (1 << 64) - 1
"""When a board without power is next due."""
_ROOM = 16384
_CHANGES = 4096
_CAUSES = list(ResetCause)


class _Change(ctypes.Structure):
    _fields_ = (("at_us", ctypes.c_uint64), ("outputs", ctypes.c_uint16))


@dataclass(frozen=True, slots=True)
class PinChange:
    """The outputs from this moment on; bit 0 is output 1."""

    at_us: int
    outputs: int


@cache
def load(path: Path) -> ctypes.CDLL:
    """The library at `path`, with its functions' types set."""
    lib = ctypes.CDLL(str(path))
    u8, u16, u32, u64 = ctypes.c_uint8, ctypes.c_uint16, ctypes.c_uint32, ctypes.c_uint64
    size, board, text = ctypes.c_size_t, ctypes.c_void_p, ctypes.c_char_p
    flag = ctypes.c_bool
    signatures: dict[str, tuple[object, tuple[object, ...]]] = {
        "nv_bytes": (size, ()),
        "ram_bytes": (size, ()),
        "new": (board, (text, u32)),
        "free": (None, (board,)),
        "start": (None, (board, text, u8, flag, u32, u8, u64)),
        "cut": (None, (board,)),
        "cut_after": (None, (board, u64, u8)),
        "dead": (flag, (board,)),
        "outputs": (u16, (board,)),
        "lamp": (flag, (board,)),
        "pins": (None, (board, u16, flag, u16, u16)),
        "nv": (ctypes.POINTER(u8), (board,)),
        "writes": (ctypes.POINTER(u32), (board,)),
        "written": (u64, (board,)),
        "changes": (size, (board, ctypes.POINTER(_Change), size)),
        "step": (size, (board, u64, text, size, text, size, ctypes.POINTER(u64))),
        "now": (u64, (board,)),
        "skip": (u64, (board, u64, u64)),
        "run": (u64, (board, u64, u64, text, size, ctypes.POINTER(size))),
    }
    for name, (result, arguments) in signatures.items():
        function = getattr(lib, f"sx_virtual_{name}")
        function.restype = result
        function.argtypes = arguments
    return lib


class VirtualBoard:
    """One board. Times are microseconds of the caller's clock, which never goes back.

    `nv` is its non-volatile memory (shorter ones are filled up with 0xFF, as a new part comes).
    `nv_write_us` is how long a byte takes to be written. It has no power until `start`.
    """

    def __init__(
        self,
        name: str,
        address: int = 1,
        *,
        shared: bool = False,
        nv: bytes = b"",
        seed: int = 1,
        nv_write_us: int = 0,
        small: bool = False,
        library: Path | None = None,
    ) -> None:
        self._lib = load(library or build.shared_library(small=small))
        self.nv_bytes = int(self._lib.sx_virtual_nv_bytes())
        memory = bytes(nv[: self.nv_bytes]).ljust(self.nv_bytes, b"\xff")
        self._board = self._lib.sx_virtual_new(memory, nv_write_us)
        if not self._board:
            raise MemoryError("no memory for a board")
        self.name, self.address, self.shared = name, address, shared
        self.next_due_us = NEVER_US
        self._seed = seed
        self._inputs, self._stop_closed, self._supply_mv, self._pressure_mv = 0xFFFF, True, 0, 0
        self._tx = ctypes.create_string_buffer(_ROOM)
        self._due = ctypes.c_uint64()
        self._count = ctypes.c_size_t()
        self._changes = (_Change * _CHANGES)()

    def __del__(self) -> None:
        board = getattr(self, "_board", None)
        if board:
            self._lib.sx_virtual_free(board)

    def start(self, now_us: int, cause: ResetCause = ResetCause.POWER) -> None:
        """Power comes, or the reset pin was pulled; it is due at once."""
        self._seed = (self._seed * 1664525 + 1013904223) & 0xFFFFFFFF
        self._lib.sx_virtual_start(
            self._board,
            self.name.encode("ascii"),
            self.address,
            self.shared,
            self._seed,
            _CAUSES.index(cause),
            now_us,
        )
        self.next_due_us = now_us

    def step(self, now_us: int, rx: bytes = b"") -> bytes:
        """Gives it these bytes at this moment; what it sends. Sets `next_due_us`."""
        n = self._lib.sx_virtual_step(
            self._board, now_us, rx, len(rx), self._tx, _ROOM, ctypes.byref(self._due)
        )
        self.next_due_us = self._due.value
        return self._tx.raw[:n] if n else b""

    def run(self, now_us: int, until_us: int) -> bytes:
        """Lets time pass until it sends something or `until_us` has come.

        Returns what it sent, at `now_us`; `next_due_us` then says from when on to go on.
        """
        due = self._lib.sx_virtual_run(
            self._board, now_us, until_us, self._tx, _ROOM, ctypes.byref(self._count)
        )
        self.next_due_us = NEVER_US if self.dead else due
        return self._tx.raw[: self._count.value] if self._count.value else b""

    @property
    def now_us(self) -> int:
        """The moment of its last step."""
        return int(self._lib.sx_virtual_now(self._board))

    def skip(self, now_us: int, until_us: int) -> None:
        """Lets time pass; what it sends is lost."""
        self.next_due_us = self._lib.sx_virtual_skip(self._board, now_us, until_us)

    def set_input(self, number: int, level: int) -> None:
        """Puts an input at an electrical level; 0 is the stop input, closed at 1.

        The board sees it when it is stepped next, which is due at once.
        """
        if number == 0:
            self._stop_closed = bool(level)
        elif level:
            self._inputs |= 1 << (number - 1)
        else:
            self._inputs &= ~(1 << (number - 1))
        self._put_pins()

    def set_levels(self, *, supply_mv: int = 0, pressure_mv: int = 0) -> None:
        """What the analogue inputs see, in millivolts."""
        self._supply_mv, self._pressure_mv = supply_mv, pressure_mv
        self._put_pins()

    def _put_pins(self) -> None:
        self._lib.sx_virtual_pins(
            self._board, self._inputs, self._stop_closed, self._supply_mv, self._pressure_mv
        )
        if not self.dead:
            self.next_due_us = 0

    @property
    def outputs(self) -> int:
        """The outputs that are on; bit 0 is output 1."""
        return int(self._lib.sx_virtual_outputs(self._board))

    @property
    def lamp(self) -> bool:
        """Whether the alarm light is on."""
        return bool(self._lib.sx_virtual_lamp(self._board))

    def changes(self) -> list[PinChange]:
        """Every change of the outputs since the last call, at most the first 4096."""
        n = self._lib.sx_virtual_changes(self._board, self._changes, _CHANGES)
        return [PinChange(c.at_us, c.outputs) for c in self._changes[:n]]

    def reset(self, now_us: int, cause: ResetCause = ResetCause.BUTTON) -> None:
        """The reset pin: outputs off, then a start."""
        self.cut()
        self.start(now_us, cause)

    def cut(self) -> None:
        """Power goes now."""
        self._lib.sx_virtual_cut(self._board)
        self.next_due_us = NEVER_US

    def cut_after(self, writes: int, torn: int = 0xFF) -> None:
        """Power goes at this write to memory from now on, leaving `torn` there; 0: it stays."""
        self._lib.sx_virtual_cut_after(self._board, writes, torn)

    @property
    def dead(self) -> bool:
        """Whether it has no power."""
        return bool(self._lib.sx_virtual_dead(self._board))

    @property
    def nv(self) -> bytes:
        """A copy of the non-volatile memory."""
        return bytes(self._lib.sx_virtual_nv(self._board)[: self.nv_bytes])

    @property
    def writes(self) -> list[int]:
        """How often each cell of the memory was written."""
        return list(self._lib.sx_virtual_writes(self._board)[: self.nv_bytes])

    @property
    def written(self) -> int:
        """How many bytes were written in all."""
        return int(self._lib.sx_virtual_written(self._board))
