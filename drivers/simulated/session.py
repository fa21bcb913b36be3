"""Frames to answers: who may speak to a simulated controller, and what it has heard already."""

from __future__ import annotations

from collections import OrderedDict

from drivers.framing import LONGEST_FRAME, Frame
from drivers.messages import (
    LARGEST_REQUEST_ID,
    PROTOCOL_HASH,
    BadMessage,
    Disarm,
    Guarded,
    Hello,
    Hex16,
    Hex32,
    Identity,
    Message,
    No,
    Open,
    Poll,
    Request,
    Stop,
    Unknown,
    Yes,
    parse_to_board,
)
from drivers.simulated.board import Board
from drivers.simulated.memory import RECORDS
from drivers.simulated.reports import Reports
from drivers.simulated.requests import Requests
from drivers.words import Reason, StopSource

FIRMWARE = "simulated-1"
_REMEMBERED = 8


class Session:
    """One board's side of the conversation."""

    def __init__(self, board_id: str, board: Board, reports: Reports, *, shared: bool) -> None:
        self.session = 0
        self._board_id = board_id
        self._board = board
        self._reports = reports
        self._requests = Requests(board)
        self._shared = shared
        self._answered: OrderedDict[int, Message] = OrderedDict()
        self._newest = 0

    def hear(self, frame: Frame, now_us: int) -> list[Message]:
        """What to send for a frame with this board's address: reports if polled, the answer."""
        try:
            message = parse_to_board(frame.words)
        except BadMessage:
            return [Unknown(_request_id(frame))]
        assert isinstance(message, Request)
        if not 1 <= message.req <= LARGEST_REQUEST_ID:
            return [Unknown(0)]
        match message:
            case Guarded():
                return self._guarded(message, now_us)
            case Hello():
                return [Yes(message.req, self._identity().words()[1:])]
            case Open():
                return [self._open(message, now_us)]
            case Stop():
                self._board.stop(StopSource.FRAME, message.stop, now_us)
                return [Yes(message.req)]
            case Disarm():
                return [self._disarm(message, now_us)]
        raise AssertionError(f"{message.verb} has no home")

    def _open(self, message: Open, now_us: int) -> Message:
        if message.boot != self._board.parts.boot:
            return No(message.req, Reason.BOOT)
        if message.session == 0:
            return Unknown(message.req)
        if message.session != self.session:
            self._board.disarm_all(now_us)
            self.session = message.session
            self._answered.clear()
            self._newest = 0
            self._reports.forget()
        self._board.heartbeat(now_us)
        if message.stop:
            self._board.stop(StopSource.OPENED, message.stop, now_us)
        return Yes(message.req)

    def _disarm(self, message: Disarm, now_us: int) -> Message:
        if message.prop > self._board.has.props:
            return No(message.req, Reason.VALUE)
        if message.prop == 0:
            self._board.disarm_all(now_us)
        else:
            self._board.props[message.prop - 1].disarm(now_us)
        return Yes(message.req)

    def _guarded(self, message: Guarded, now_us: int) -> list[Message]:
        if message.boot != self._board.parts.boot:
            return [No(message.req, Reason.BOOT)]
        if not self.session or message.session != self.session:
            return [No(message.req, Reason.SESSION)]
        self._board.heartbeat(now_us)
        known = self._answered.get(message.req)
        if known is not None:
            return [known]
        if self._newest and _is_older(message.req, self._newest):
            return [No(message.req, Reason.VALUE)]
        done = self._requests.do(message, now_us)
        answer: Message = (
            No(message.req, done) if isinstance(done, Reason) else Yes(message.req, done)
        )
        self._newest = message.req
        self._answered[message.req] = answer
        if len(self._answered) > _REMEMBERED:
            self._answered.popitem(last=False)
        if isinstance(message, Poll) and self._shared:
            return [*self._reports.take(self.session, now_us, message.frames), answer]
        return [answer]

    def _identity(self) -> Identity:
        parts, has = self._board.parts, self._board.has
        return Identity(
            Hex32(parts.boot),
            self._board_id,
            FIRMWARE,
            PROTOCOL_HASH,
            has.props,
            has.outputs,
            has.inputs,
            has.sequences,
            has.steps,
            LONGEST_FRAME,
            RECORDS,
            Hex32(parts.latch.stop),
            self._reports.flags(),
            Hex16(parts.setup.checksum),
            tuple(Hex16(check) for check in parts.sequences.checksums()),
        )


def _request_id(frame: Frame) -> int:
    """The id in a frame that makes no sense otherwise; 0 if there is none."""
    word = frame.words[1] if len(frame.words) > 1 else ""
    if not (word.isascii() and word.isdecimal() and len(word) <= 5):
        return 0
    number = int(word)
    return number if 1 <= number <= LARGEST_REQUEST_ID else 0


def _is_older(number: int, newest: int) -> bool:
    """Whether `number` lies behind `newest` on the circle of ids."""
    return (newest - number) % LARGEST_REQUEST_ID < LARGEST_REQUEST_ID // 2
