"""What a simulated controller says on its own account, and when."""

from __future__ import annotations

from drivers.messages import (
    BoardReport,
    Boot,
    CycleRecord,
    EventRecord,
    Hex16,
    Hex32,
    Message,
    PropReport,
)
from drivers.simulated.board import Board
from drivers.simulated.outputs import NEVER
from drivers.words import BoardFlags, ResetCause

_AGAIN_US = 500_000
_PAST = -NEVER


class _Outstanding:
    """The one cycle or event that waits for its acknowledgement."""

    def __init__(self) -> None:
        self._sent: object = None
        self.sent_us = _PAST

    def is_due(self, oldest: CycleRecord | EventRecord, now_us: int) -> bool:
        """Whether `oldest` has to be sent now, for the first time or again."""
        return oldest != self._sent or now_us - self.sent_us >= _AGAIN_US

    def sent(self, what: object, now_us: int) -> None:
        """It went out."""
        self._sent, self.sent_us = what, now_us

    def forget(self) -> None:
        """A new session has seen nothing yet."""
        self._sent, self.sent_us = None, _PAST


class Reports:
    """Gives the reports that are due, oldest and most urgent first."""

    def __init__(self, board: Board, cause: ResetCause, *, shared: bool) -> None:
        self._board = board
        self._cause = cause
        self._shared = shared
        self._boot_told = False
        self._cycle = _Outstanding()
        self._event = _Outstanding()
        self._watched: dict[int, object] = {}
        self._sent_us: dict[int, int] = {}

    def forget(self) -> None:
        """A session was opened: everything is news."""
        self._cycle.forget()
        self._event.forget()
        self._watched.clear()
        self._sent_us.clear()

    def due_us(self) -> int:
        """When a report is due on a line of its own, with a session open."""
        due = NEVER
        if self._board.parts.events.oldest() is not None:
            due = self._event.sent_us + _AGAIN_US
        if next(self._board.parts.memory.held(), None) is not None:
            due = min(due, self._cycle.sent_us + _AGAIN_US)
        every_us = self._board.parts.setup.report_ms * 1000
        return min([due, *(sent_us + every_us for sent_us in self._sent_us.values())])

    def take(self, session: int, now_us: int, most: int = 1 << 30) -> list[Message]:
        """Up to `most` reports that are due now, which count as sent."""
        out: list[Message] = []
        if not self._boot_told and most > 0:
            self._boot_told = True
            out.append(Boot(Hex32(self._board.parts.boot), self._cause))
        if not session:
            return out
        parts = self._board.parts
        cycle = next(parts.memory.held(), None)
        for waits, oldest in ((self._event, parts.events.oldest()), (self._cycle, cycle)):
            if oldest is not None and len(out) < most and waits.is_due(oldest, now_us):
                waits.sent(oldest, now_us)
                out.append(oldest)
        watched = self._watch(session, now_us)
        changed = [n for n, seen in watched.items() if self._watched.get(n) != seen]
        every_us = parts.setup.report_ms * 1000
        rest = [n for n in watched if n not in changed and self._age_us(n, now_us) >= every_us]
        rest.sort(key=lambda n: self._sent_us.get(n, _PAST))
        for number in [*changed, *rest][: max(0, most - len(out))]:
            self._watched[number] = watched[number]
            self._sent_us[number] = now_us
            out.append(self._state(session, now_us) if number == 0 else self._prop(number, now_us))
        return out

    def _age_us(self, number: int, now_us: int) -> int:
        return now_us - self._sent_us.get(number, _PAST)

    def _watch(self, session: int, now_us: int) -> dict[int, object]:
        """What makes each report news when it changes: 0 is the board, the others are props."""
        board = self._board
        watched: dict[int, object] = {
            0: (session, board.parts.latch.stop, self.flags(), board.parts.outputs.mask)
        }
        for number in board.parts.setup.props:
            prop = board.props[number - 1]
            running = 0 if prop.run is None else prop.run.number
            watched[number] = (
                prop.state,
                prop.flags(now_us),
                prop.sources,
                prop.selected,
                running,
            )
        self._sent_us = {n: at_us for n, at_us in self._sent_us.items() if n in watched}
        return watched

    def flags(self) -> BoardFlags:
        """Conditions of the whole board."""
        flags = BoardFlags.SHARED_LINE if self._shared else BoardFlags(0)
        if self._board.parts.latch.input_open:
            flags |= BoardFlags.STOP_INPUT_OPEN
        if self._board.low_supply:
            flags |= BoardFlags.LOW_SUPPLY
        return flags

    def _state(self, session: int, now_us: int) -> BoardReport:
        board, parts = self._board, self._board.parts
        return BoardReport(
            Hex32(parts.boot),
            Hex32(session),
            parts.clock_ms(now_us),
            Hex32(parts.latch.stop),
            self.flags(),
            Hex16(parts.inputs.mask),
            Hex16(parts.outputs.mask),
            board.pins.supply_mv,
            board.pins.pressure_mv,
        )

    def _prop(self, number: int, now_us: int) -> PropReport:
        prop, memory = self._board.props[number - 1], self._board.parts.memory
        return PropReport(
            number,
            prop.state,
            prop.flags(now_us),
            prop.sources,
            prop.selected,
            0 if prop.run is None else prop.run.number,
            (now_us - prop.since_us) // 1000,
            Hex32(memory.life(number)),
            memory.newest(number),
            memory.oldest(number),
        )
