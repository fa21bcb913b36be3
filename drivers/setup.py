"""What a board is told to be: its props, outputs, inputs and sequences, and how that is sent.

A `BoardSetup` is plain data. It gives the checksums by which a board's hello shows whether it holds
the same, and the requests that bring it there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers.framing import crc16
from drivers.messages import (
    Begin,
    EndSetup,
    Guarded,
    Hex16,
    Hex32,
    Identity,
    SetInput,
    SetOutput,
    SetProp,
    SetSequence,
    SetSteps,
)
from drivers.words import AtStop, InputKind, Level, OutputKind, SequenceKind

_FRAME_OVERHEAD = len("~01 #CCCC\n")


@dataclass(frozen=True, slots=True)
class PropSetup:
    """One prop. 0 stands for none in `area_input` and `idle`."""

    number: int
    rest_ms: int
    sequence: int
    area_input: int = 0
    idle: int = 0
    idle_least_ms: int = 0
    idle_most_ms: int = 0


@dataclass(frozen=True, slots=True)
class OutputSetup:
    """One output. 0 stands for none in the inputs, for no limit or no check in the times."""

    number: int
    prop: int
    kind: OutputKind
    at_stop: AtStop = AtStop.OFF
    longest_on_ms: int = 0
    out_input: int = 0
    home_input: int = 0
    travel_ms: int = 0


@dataclass(frozen=True, slots=True)
class InputSetup:
    """One input."""

    number: int
    prop: int
    kind: InputKind
    level: Level = Level.LOW
    debounce_ms: int = 30
    warm_up_ms: int = 0
    clear_first: bool = True


@dataclass(frozen=True, slots=True)
class SequenceSetup:
    """One sequence; `steps` are (at_ms, output, on) with times that never fall."""

    number: int
    prop: int
    kind: SequenceKind
    length_ms: int
    steps: tuple[tuple[int, int, bool], ...]

    @property
    def step_words(self) -> tuple[str, ...]:
        """The steps as they stand on the wire."""
        return tuple(f"{at}:{output}{'+' if on else '-'}" for at, output, on in self.steps)

    @property
    def checksum(self) -> int:
        """By which a board's hello names this sequence."""
        head = (
            str(self.number), str(self.prop), self.kind.value, str(self.length_ms),
            str(len(self.steps)),
        )  # fmt: skip
        return _never_none(crc16(" ".join((*head, *self.step_words)).encode("ascii")))


Draft = tuple[type[Guarded], tuple[object, ...]]
"""A request without its id, session and boot: the class and the fields that follow them."""


@dataclass(frozen=True, slots=True)
class BoardSetup:
    """Everything one board is told."""

    heartbeat_ms: int
    report_ms: int
    props: tuple[PropSetup, ...]
    outputs: tuple[OutputSetup, ...]
    inputs: tuple[InputSetup, ...]
    sequences: tuple[SequenceSetup, ...]

    def items(self) -> list[Draft]:
        """The setup without its end, in upload order."""
        drafts: list[Draft] = [(Begin, (self.heartbeat_ms, self.report_ms))]
        for p in sorted(self.props, key=lambda p: p.number):
            drafts.append(
                (
                    SetProp,
                    (p.number, p.rest_ms, p.sequence, p.area_input, p.idle, p.idle_least_ms,
                     p.idle_most_ms),
                )
            )  # fmt: skip
        for o in sorted(self.outputs, key=lambda o: o.number):
            drafts.append(
                (
                    SetOutput,
                    (o.number, o.prop, o.kind, o.at_stop, o.longest_on_ms, o.out_input,
                     o.home_input, o.travel_ms),
                )
            )  # fmt: skip
        for i in sorted(self.inputs, key=lambda i: i.number):
            drafts.append(
                (
                    SetInput,
                    (i.number, i.prop, i.kind, i.level, i.debounce_ms, i.warm_up_ms,
                     int(i.clear_first)),
                )
            )  # fmt: skip
        return drafts

    @property
    def checksum(self) -> int:
        """By which a board's hello shows that it holds this setup."""
        text = "".join(
            " ".join((kind.verb, *(str(word) for word in fields))) + "\n"
            for kind, fields in self.items()
        )
        return _never_none(crc16(text.encode("ascii")))

    def differs(self, identity: Identity) -> Difference:
        """What a board with this identity lacks or holds otherwise."""
        held = dict(enumerate(identity.checksums, start=1))
        wrong = [s for s in self.sequences if held.get(s.number, 0) != s.checksum]
        replaces = identity.setup not in (0, self.checksum) or any(
            held.get(s.number, 0) != 0 for s in wrong
        )
        return Difference(identity.setup != self.checksum, tuple(wrong), replaces)

    def upload(self, difference: Difference, longest_frame: int) -> list[Draft]:
        """The requests that make a board hold all this, none longer than `longest_frame`."""
        drafts: list[Draft] = []
        if difference.setup:
            drafts.extend(self.items())
            drafts.append((EndSetup, (Hex16(self.checksum),)))
        for sequence in difference.sequences:
            drafts.extend(_sequence_drafts(sequence, longest_frame))
        return drafts


@dataclass(frozen=True, slots=True)
class Difference:
    """What has to be sent. `replaces` says that the board holds something else in its place."""

    setup: bool
    sequences: tuple[SequenceSetup, ...]
    replaces: bool

    def __bool__(self) -> bool:
        return self.setup or bool(self.sequences)


def _sequence_drafts(sequence: SequenceSetup, longest_frame: int) -> list[Draft]:
    words = sequence.step_words
    drafts: list[Draft] = [
        (
            SetSequence,
            (sequence.number, sequence.prop, sequence.kind, sequence.length_ms, len(words),
             Hex16(sequence.checksum)),
        )
    ]  # fmt: skip
    first = 0
    while first < len(words):
        taken = _as_many_as_fit(sequence.number, first, words[first:], longest_frame)
        drafts.append((SetSteps, (sequence.number, first, taken)))
        first += len(taken)
    return drafts


def _as_many_as_fit(
    number: int, first: int, words: Sequence[str], longest_frame: int
) -> tuple[str, ...]:
    head = SetSteps(65535, Hex32(0), Hex32(0), number, first, ()).words()
    length = _FRAME_OVERHEAD + len(" ".join(head))
    taken: list[str] = []
    for word in words:
        length += 1 + len(word)
        if length > longest_frame and taken:
            break
        taken.append(word)
    return tuple(taken)


def _never_none(checksum: int) -> int:
    return checksum or 0xFFFF
