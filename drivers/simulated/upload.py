"""What the console uploads: the setup of a board and its sequences."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from drivers.framing import crc16
from drivers.messages import (
    Begin,
    EndSetup,
    Guarded,
    SetInput,
    SetOutput,
    SetProp,
    SetSequence,
    SetSteps,
)
from drivers.words import InputKind, Reason, SequenceKind

_STEP = re.compile(r"(\d{1,9}):(\d{1,3})([+-])", re.ASCII)
_HEARTBEAT_MS = range(100, 60_001)
_REPORT_MS = range(50, 60_001)


@dataclass(frozen=True, slots=True)
class Capacities:
    """How much a board can hold."""

    props: int = 4
    outputs: int = 16
    inputs: int = 16
    sequences: int = 16
    steps: int = 256


def checksum(text: str, start: int = 0xFFFF) -> int:
    """The CRC of a text, never 0, which means none."""
    return crc16(text.encode("ascii"), start) or 0xFFFF


@dataclass(slots=True)
class Setup:
    """A setup, whole or being uploaded."""

    heartbeat_ms: int = 1500
    report_ms: int = 500
    props: dict[int, SetProp] = field(default_factory=dict)
    outputs: dict[int, SetOutput] = field(default_factory=dict)
    inputs: dict[int, SetInput] = field(default_factory=dict)
    checksum: int = 0


class SetupUpload:
    """Takes the items of a setup in order."""

    def __init__(self, capacities: Capacities) -> None:
        self._capacities = capacities
        self._setup: Setup | None = None
        self._text = ""

    def begin(self, request: Begin) -> Reason | None:
        """Starts anew; the reason if the request cannot be."""
        if request.heartbeat_ms not in _HEARTBEAT_MS or request.report_ms not in _REPORT_MS:
            return Reason.VALUE
        self._setup = Setup(request.heartbeat_ms, request.report_ms)
        self._text = _line(request)
        return None

    def add(self, item: SetProp | SetOutput | SetInput) -> Reason | None:
        """Takes one item; the reason if it cannot be."""
        setup = self._setup
        if setup is None:
            return Reason.SETUP
        has = self._capacities
        match item:
            case SetProp():
                fine = (
                    _next(setup.props, item.prop, has.props)
                    and 1 <= item.sequence <= has.sequences
                    and item.area_input <= has.inputs
                    and item.idle <= has.sequences
                    and item.idle_least_ms <= item.idle_most_ms
                    and not (item.idle and item.idle_most_ms == 0)
                )
                if fine:
                    setup.props[item.prop] = item
            case SetOutput():
                fine = (
                    _next(setup.outputs, item.output, has.outputs)
                    and 1 <= item.prop <= has.props
                    and max(item.out_input, item.home_input) <= has.inputs
                )
                if fine:
                    setup.outputs[item.output] = item
            case SetInput():
                fine = (
                    _next(setup.inputs, item.input, has.inputs)
                    and 1 <= item.prop <= has.props
                    and item.clear_first <= 1
                )
                if fine:
                    setup.inputs[item.input] = item
        if not fine:
            return Reason.VALUE
        self._text += _line(item)
        return None

    def end(self, request: EndSetup) -> Setup | Reason:
        """The whole setup, or why it is none."""
        setup = self._setup
        if setup is None or not _hangs_together(setup):
            return Reason.SETUP
        if checksum(self._text) != request.checksum:
            return Reason.CHECKSUM
        self._setup = None
        setup.checksum = request.checksum
        return setup


def _next(taken: Mapping[int, object], number: int, most: int) -> bool:
    return max(taken, default=0) < number <= most


def _line(request: Guarded) -> str:
    verb, _req, _session, _boot, *rest = request.words()
    return " ".join((verb, *rest)) + "\n"


def _hangs_together(setup: Setup) -> bool:
    """Whether every prop and input that is spoken of is there, and of the right kind."""
    items: Iterator[SetOutput | SetInput] = iter((*setup.outputs.values(), *setup.inputs.values()))
    if any(item.prop not in setup.props for item in items):
        return False
    kinds = {0: None} | {number: given.kind for number, given in setup.inputs.items()}
    return all(
        kinds.get(prop.area_input, InputKind.END) in (None, InputKind.AREA)
        for prop in setup.props.values()
    ) and all(
        kinds.get(number, InputKind.AREA) in (None, InputKind.END)
        for output in setup.outputs.values()
        for number in (output.out_input, output.home_input)
    )


@dataclass(frozen=True, slots=True)
class Step:
    """At `ms` output `output` goes on or off."""

    ms: int
    output: int
    on: bool


@dataclass(slots=True)
class Sequence:
    """One stored sequence, whole once its checksum has matched."""

    prop: int
    kind: SequenceKind
    length_ms: int
    count: int
    checksum: int
    text: str
    steps: list[Step] = field(default_factory=list)
    whole: bool = False


class Sequences:
    """The sequences of a board, by number from 1."""

    def __init__(self, capacities: Capacities) -> None:
        self._capacities = capacities
        self._stored: dict[int, Sequence] = {}

    def checksums(self) -> tuple[int, ...]:
        """One for each number from 1; 0 where there is no whole sequence."""
        numbers = range(1, self._capacities.sequences + 1)
        return tuple(0 if (s := self.whole(n)) is None else s.checksum for n in numbers)

    def whole(self, number: int) -> Sequence | None:
        """The sequence, if it is whole."""
        found = self._stored.get(number)
        return found if found is not None and found.whole else None

    def prop_of(self, number: int) -> int:
        """The prop of a stored sequence (0: none)."""
        found = self._stored.get(number)
        return 0 if found is None else found.prop

    def begin(self, request: SetSequence) -> Reason | None:
        """Voids the number and begins it anew; the reason if it cannot be."""
        has = self._capacities
        if not (
            1 <= request.sequence <= has.sequences
            and 1 <= request.prop <= has.props
            and request.length_ms >= 1
            and request.steps >= 1
        ):
            return Reason.VALUE
        others = sum(s.count for n, s in self._stored.items() if n != request.sequence)
        if others + request.steps > has.steps:
            return Reason.FULL
        words = request.words()[4:-1]
        self._stored[request.sequence] = Sequence(
            request.prop,
            request.kind,
            request.length_ms,
            request.steps,
            request.checksum,
            " ".join(words),
        )
        return None

    def add(self, request: SetSteps) -> Reason | None:
        """Takes the next steps; the reason if they cannot be."""
        if not 1 <= request.sequence <= self._capacities.sequences:
            return Reason.VALUE
        sequence = self._stored.get(request.sequence)
        if sequence is None or sequence.whole:
            return Reason.SEQUENCE
        if request.first != len(sequence.steps) or not request.steps:
            return Reason.VALUE
        if request.first + len(request.steps) > sequence.count:
            return Reason.FULL
        last_ms = sequence.steps[-1].ms if sequence.steps else 0
        steps = []
        for word in request.steps:
            step = self._step(word, last_ms, sequence.length_ms)
            if step is None:
                return Reason.VALUE
            steps.append(step)
            last_ms = step.ms
        sequence.steps += steps
        sequence.text += "".join(f" {word}" for word in request.steps)
        if len(sequence.steps) == sequence.count:
            if checksum(sequence.text) != sequence.checksum:
                del self._stored[request.sequence]
                return Reason.CHECKSUM
            sequence.whole = True
        return None

    def _step(self, word: str, least_ms: int, most_ms: int) -> Step | None:
        found = _STEP.fullmatch(word)
        if found is None:
            return None
        step = Step(int(found[1]), int(found[2]), found[3] == "+")
        in_range = least_ms <= step.ms <= most_ms and 1 <= step.output <= self._capacities.outputs
        return step if in_range else None
