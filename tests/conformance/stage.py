"""Setups and sequences for the tests, small enough for small boards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers.framing import crc16
from drivers.messages import (
    Ack,
    Arm,
    Begin,
    CycleRecord,
    EndSetup,
    EventRecord,
    Guarded,
    Seen,
    SetInput,
    SetOutput,
    SetProp,
    SetSequence,
    SetSteps,
)
from drivers.words import (
    AtStop,
    EventKind,
    InputKind,
    Level,
    OutputKind,
    SequenceKind,
    Sources,
)
from tests.boards import Console

EVERY = Sources.SENSOR | Sources.ACTOR | Sources.OPERATOR
Item = tuple[type[Guarded], tuple[object, ...]]


def prop(
    number: int = 1, rest: int = 150, sequence: int = 1, area: int = 0, idle: int = 0,
    least: int = 0, most: int = 0,
) -> Item:  # fmt: skip
    """A prop of a setup."""
    return SetProp, (number, rest, sequence, area, idle, least, most)


def output(
    number: int, prop: int = 1, kind: OutputKind = OutputKind.MOTION,
    at_stop: AtStop = AtStop.OFF, longest: int = 0, out: int = 0, home: int = 0, travel: int = 0,
) -> Item:  # fmt: skip
    """An output of a setup."""
    return SetOutput, (number, prop, kind, at_stop, longest, out, home, travel)


def given_input(
    number: int, kind: InputKind = InputKind.SENSOR, prop: int = 1, level: Level = Level.LOW,
    debounce: int = 20, warm: int = 0, clear_first: int = 1,
) -> Item:  # fmt: skip
    """An input of a setup; active while its pin is low unless told otherwise."""
    return SetInput, (number, prop, kind, level, debounce, warm, clear_first)


@dataclass(frozen=True, slots=True)
class Stored:
    """A sequence to store."""

    number: int
    length: int
    steps: tuple[str, ...]
    prop: int = 1
    kind: SequenceKind = SequenceKind.CYCLE

    @property
    def checksum(self) -> int:
        """As PROTOCOL.md defines it."""
        words = (self.number, self.prop, self.kind, self.length, len(self.steps), *self.steps)
        return crc16(" ".join(map(str, words)).encode()) or 0xFFFF


SENSOR, ACTOR = 1, 2
BASIC: tuple[Item, ...] = (
    prop(),
    output(1),
    output(2),
    given_input(SENSOR),
    given_input(ACTOR, InputKind.ACTOR),
)
"""One prop: two motions, a sensor and a helper's button."""
TWO: tuple[Item, ...] = (
    prop(),
    prop(2, sequence=2),
    output(1),
    output(2),
    output(3, prop=2),
    given_input(SENSOR),
    given_input(ACTOR, InputKind.ACTOR),
)
"""Two props: the basic one, and one with a motion alone."""
SHORT = Stored(1, 200, ("0:1+", "60:2+", "120:1-", "160:2-"))
OTHER = Stored(2, 150, ("0:2+", "100:2-"))
LONG = Stored(1, 3000, ("0:1+", "2900:1-"))


def setup_text(items: Sequence[Item]) -> str:
    """The text whose CRC is the setup's checksum."""
    lines = []
    for cls, fields in items:
        words = cls(1, 0, 0, *fields).words()
        lines.append(" ".join((words[0], *words[4:])) + "\n")
    return "".join(lines)


def upload_setup(
    console: Console, items: Sequence[Item] = BASIC, heartbeat: int = 1500, report: int = 100
) -> int:
    """Sends a setup; its checksum."""
    every: list[Item] = [(Begin, (heartbeat, report)), *items]
    for cls, fields in every:
        console.yes(cls, *fields)
    checksum = crc16(setup_text(every).encode()) or 0xFFFF
    console.yes(EndSetup, checksum)
    return checksum


def upload_sequence(console: Console, stored: Stored, at_once: int = 4) -> None:
    """Sends a sequence in frames of a few steps."""
    console.yes(
        SetSequence, stored.number, stored.prop, stored.kind, stored.length, len(stored.steps),
        stored.checksum,
    )  # fmt: skip
    for first in range(0, len(stored.steps), at_once):
        console.yes(SetSteps, stored.number, first, stored.steps[first : first + at_once])


def prepare(
    console: Console, items: Sequence[Item] = BASIC, *sequences: Stored, heartbeat: int = 1500
) -> None:
    """A setup and its sequences."""
    upload_setup(console, items, heartbeat)
    for stored in sequences or (SHORT,):
        upload_sequence(console, stored)


def armed(
    console: Console, items: Sequence[Item] = BASIC, *sequences: Stored, heartbeat: int = 1500
) -> None:
    """A setup, its sequences, and prop 1 armed for every source."""
    prepare(console, items, *sequences, heartbeat=heartbeat)
    console.yes(Arm, 1, EVERY)


def wait_cycle(
    console: Console, number: int, seconds: float = 4.0, since: int = 0, prop: int = 1
) -> CycleRecord:
    """The record of a prop's cycle with this number; older ones in its way are acknowledged."""
    passed: set[tuple[int, int]] = set()
    while True:
        found = console.wait(
            CycleRecord, lambda r: (r.prop, r.number) not in passed, seconds, since
        )
        if (found.prop, found.number) == (prop, number):
            return found
        passed.add((found.prop, found.number))
        console.yes(Ack, found.life, found.prop, found.number)


def wait_event(
    console: Console, kind: EventKind, seconds: float = 3.0, since: int = 0
) -> EventRecord:
    """The first event of a kind; older ones in its way are marked as seen."""
    seen: set[int] = set()
    while True:
        found = console.wait(EventRecord, lambda r: r.number not in seen, seconds, since)
        seen.add(found.number)
        console.yes(Seen, found.number)
        if found.kind is kind:
            return found
