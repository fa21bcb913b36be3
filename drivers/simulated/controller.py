"""A controller in Python, without any input or output of its own.

`step` takes the time, and the bytes that have come; it returns the bytes to send. Pins are read
from `pins` and shown by `outputs` and `lamp`. Between steps nothing happens; `next_due_us` says
when the next step is needed at the latest.
"""

from __future__ import annotations

import random

from drivers.framing import Frame, Framer, StopByte, encode
from drivers.messages import Message
from drivers.simulated.board import Board, Pins
from drivers.simulated.outputs import NEVER
from drivers.simulated.reports import Reports
from drivers.simulated.session import Session
from drivers.simulated.stores import Store
from drivers.simulated.upload import Capacities
from drivers.words import EVERY_BOARD, ResetCause, StopSource


class SimulatedController:
    """One board. It has power from the first step on, until `cut`.

    Times are microseconds of one monotonic clock, which the caller chooses.
    """

    def __init__(
        self,
        board_id: str,
        store: Store,
        *,
        address: int = 1,
        shared: bool = False,
        capacities: Capacities | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self.board_id = board_id
        self.address = address
        self.shared = shared
        self.pins = Pins()
        self.powered = True
        self._store = store
        self._capacities = capacities or Capacities()
        self._rng = rng or random.Random()
        self._running: _Running | None = None
        self._cause = ResetCause.POWER
        self._due_us = -NEVER
        self._dark = False

    # --- the hands of whoever holds the board --------------------------------------------------

    def set_input(self, number: int, level: int) -> None:
        """The electrical level at an input from the next step on; 0 is the stop input."""
        if number == 0:
            self.pins.stop_closed = level == 1
        elif level:
            self.pins.levels |= 1 << (number - 1)
        else:
            self.pins.levels &= ~(1 << (number - 1))
        self._due_us = -NEVER

    def set_supply(self, millivolts: int) -> None:
        """The coil supply from the next step on."""
        self.pins.supply_mv = millivolts
        self._due_us = -NEVER

    def set_pressure(self, millivolts: int) -> None:
        """What the pressure sensor gives from the next step on."""
        self.pins.pressure_mv = millivolts

    def cut(self) -> None:
        """Power gone: outputs off, everything forgotten that is not durable."""
        self._end()
        self.powered = False
        self._due_us = NEVER

    def power(self, cause: ResetCause = ResetCause.POWER) -> None:
        """Power back: the next step boots."""
        if not self.powered:
            self.powered = True
            self._cause = cause
            self._due_us = -NEVER

    def reset(self, cause: ResetCause = ResetCause.BUTTON) -> None:
        """As the reset pin does: the next step boots."""
        if self.powered:
            self._end()
            self._cause = cause
            self._due_us = -NEVER

    # --- pins ----------------------------------------------------------------------------------

    @property
    def outputs(self) -> int:
        """Which outputs are on; bit 0 is output 1."""
        return 0 if self._running is None else self._running.board.parts.outputs.mask

    @property
    def lamp(self) -> bool:
        """Whether the alarm light is on."""
        return self._running is not None and self._running.board.lamp

    def take_changes(self) -> list[tuple[int, int, bool]]:
        """What outputs and alarm light did since the last call: time, outputs, light."""
        if self._running is None:
            dark, self._dark = self._dark, False
            return [(0, 0, False)] if dark else []
        changes = self._running.board.changes
        taken = list(changes)
        changes.clear()
        return taken

    # --- time ----------------------------------------------------------------------------------

    @property
    def next_due_us(self) -> int:
        """When the next step is needed at the latest, in microseconds."""
        return self._due_us

    def step(self, now_us: int, rx: bytes = b"") -> bytes:
        """Everything up to `now_us`, then the bytes received; returns the bytes to send."""
        if not self.powered:
            return b""
        running = self._running
        if running is None:
            running = self._running = self._boot(now_us)
        board = running.board
        board.advance(now_us)
        board.sample(now_us)
        board.advance(now_us)
        out: list[Message] = []
        for received in running.framer.feed(rx) if rx else ():
            match received:
                case StopByte():
                    board.stop(StopSource.BYTE, 0, now_us)
                case Frame(address) if address == self.address or (
                    address == EVERY_BOARD and not self.shared
                ):
                    out += running.session.hear(received, now_us)
            board.settle(now_us)
        if not self.shared:
            out += running.reports.take(running.session.session, now_us)
        self._due_us = board.due_us
        if not self.shared and running.session.session:
            self._due_us = min(self._due_us, running.reports.due_us())
        return b"".join(encode(self.address, message.words()) for message in out)

    def _boot(self, now_us: int) -> _Running:
        board = Board(self._store, self._capacities, self.pins, now_us, self._rng)
        return _Running(self.board_id, board, self._cause, shared=self.shared)

    def _end(self) -> None:
        self._dark = True
        self._running = None
        self._store.forget_unwritten()


class _Running:
    """What exists only while the board has power."""

    def __init__(self, board_id: str, board: Board, cause: ResetCause, *, shared: bool) -> None:
        self.board = board
        self.framer = Framer()
        self.reports = Reports(board, cause, shared=shared)
        self.session = Session(board_id, board, self.reports, shared=shared)
