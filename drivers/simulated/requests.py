"""What a simulated controller does with each request once its session and boot are right."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from drivers.messages import (
    Ack,
    Arm,
    Begin,
    Clear,
    EndSetup,
    Fire,
    Guarded,
    Hold,
    Lamp,
    Mend,
    Meters,
    Poll,
    Seen,
    Select,
    SetInput,
    SetOutput,
    SetProp,
    SetSequence,
    SetSteps,
    Tag,
    Test,
    Untag,
)
from drivers.simulated.board import Board
from drivers.simulated.prop import Prop
from drivers.simulated.upload import Setup, SetupUpload
from drivers.words import Reason

Done = Reason | tuple[str, ...]
"""The reason of a refusal, or the values of a YES."""

_LONGEST_HOLD_MS = 1000
_EVERY_SOURCE = 7
_METERS = 8


class Requests:
    """Carries out guarded requests on one board."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._upload = SetupUpload(board.has)
        self._verbs: dict[type[Guarded], Callable[[Any, int], Done | None]] = {
            Poll: self._poll,
            Clear: self._clear,
            Arm: self._arm,
            Fire: lambda r, t: self._with_prop(r.prop, lambda prop: prop.fire(t)),
            Test: lambda r, t: self._with_prop(r.prop, lambda prop: self._test(prop, r, t)),
            Select: lambda r, t: self._with_prop(r.prop, lambda prop: self._select(prop, r)),
            Hold: self._hold,
            Tag: lambda r, t: self._with_prop(r.prop, lambda prop: self._tag(prop, t)),
            Untag: lambda r, t: self._with_prop(r.prop, self._untag),
            Mend: lambda r, t: self._with_prop(r.prop, _mend),
            Lamp: self._lamp,
            Ack: self._ack,
            Seen: self._seen,
            Meters: self._meters,
            Begin: self._begin,
            SetProp: lambda r, t: self._upload.add(r),
            SetOutput: lambda r, t: self._upload.add(r),
            SetInput: lambda r, t: self._upload.add(r),
            EndSetup: self._end_setup,
            SetSequence: self._sequence,
            SetSteps: lambda r, t: self._board.parts.sequences.add(r),
        }

    def do(self, request: Guarded, now_us: int) -> Done:
        """Does what is asked, or says why not."""
        done = self._verbs[type(request)](request, now_us)
        return () if done is None else done

    def _with_prop(self, number: int, act: Callable[[Prop], Reason | None]) -> Reason | None:
        if not 1 <= number <= self._board.has.props:
            return Reason.VALUE
        return act(self._board.props[number - 1])

    def _poll(self, request: Poll, now_us: int) -> Done:
        return (str(self._board.parts.clock_ms(now_us)),)

    def _clear(self, request: Clear, now_us: int) -> Reason | None:
        latch = self._board.parts.latch
        if not latch.stop or request.stop != latch.stop:
            return Reason.STOP_ID
        if latch.input_open:
            return Reason.STOP_INPUT
        latch.stop = 0
        return None

    def _arm(self, request: Arm, now_us: int) -> Reason | None:
        if request.sources > _EVERY_SOURCE:
            return Reason.VALUE
        return self._with_prop(request.prop, lambda prop: prop.arm(request.sources, now_us))

    def _test(self, prop: Prop, request: Test, now_us: int) -> Reason | None:
        if not self._has_sequence(request.sequence):
            return Reason.VALUE
        return prop.test(request.sequence, now_us)

    def _select(self, prop: Prop, request: Select) -> Reason | None:
        if not self._has_sequence(request.sequence):
            return Reason.VALUE
        return prop.select(request.sequence)

    def _has_sequence(self, number: int) -> bool:
        return 1 <= number <= self._board.has.sequences

    def _hold(self, request: Hold, now_us: int) -> Reason | None:
        board = self._board
        if not 1 <= request.output <= board.has.outputs or request.ms > _LONGEST_HOLD_MS:
            return Reason.VALUE
        output = board.parts.outputs[request.output]
        if not output.prop:
            return Reason.LATCHED if board.parts.latch.stop else Reason.SETUP
        return board.props[output.prop - 1].hold(output, request.ms, now_us)

    def _tag(self, prop: Prop, now_us: int) -> None:
        prop.disarm(now_us)
        self._board.parts.memory.tag(prop.number, True)

    def _untag(self, prop: Prop) -> None:
        self._board.parts.memory.tag(prop.number, False)

    def _lamp(self, request: Lamp, now_us: int) -> Reason | None:
        if request.on > 1:
            return Reason.VALUE
        self._board.lamp = request.on == 1
        return None

    def _ack(self, request: Ack, now_us: int) -> None:
        self._board.parts.memory.acknowledge(request.life, request.prop, request.number)

    def _seen(self, request: Seen, now_us: int) -> None:
        self._board.parts.events.seen(request.number)

    def _meters(self, request: Meters, now_us: int) -> Done:
        if not 1 <= request.first <= self._board.has.outputs:
            return Reason.VALUE
        strokes = self._board.parts.memory.strokes[request.first - 1 :]
        return tuple(str(count) for count in strokes[:_METERS])

    def _begin(self, request: Begin, now_us: int) -> Reason | None:
        reason = _at_rest(self._board.props) or self._upload.begin(request)
        if reason is None:
            self._board.void_setup(now_us)
        return reason

    def _end_setup(self, request: EndSetup, now_us: int) -> Reason | None:
        ended = self._upload.end(request)
        if not isinstance(ended, Setup):
            return ended
        self._board.put_in_force(ended, now_us)
        return None

    def _sequence(self, request: SetSequence, now_us: int) -> Reason | None:
        sequences = self._board.parts.sequences
        concerned = {request.prop, sequences.prop_of(request.sequence)}
        props = [p for p in self._board.props if p.number in concerned]
        if not 1 <= request.prop <= self._board.has.props:
            return Reason.VALUE
        return _at_rest(props) or sequences.begin(request)


def _mend(prop: Prop) -> None:
    prop.fault = None


def _at_rest(props: list[Prop]) -> Reason | None:
    """Why these props are not all disarmed and at rest."""
    if any(p.in_cycle or p.holding for p in props):
        return Reason.RUNNING
    return Reason.ARMED if any(p.armed for p in props) else None
