"""The messages between console and controller: the one definition of both sides.

A request is `VERB request-id ...`; most name the session and the boot they are meant for. A board
answers each with exactly one of `YES`, `NO reason`, `BUSY` and `UNKNOWN`, and reports `BOOT`,
`STATE`, `PROP`, `CYCLE` and `EVENT` on its own account. Every field is one word; `PROTOCOL.md` says
what each means. The C side is generated from these classes and carries the same hash.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import IntFlag, StrEnum
from typing import ClassVar, NewType, Self, get_args, get_origin, get_type_hints

from drivers import words
from drivers.words import (
    AtStop,
    EventKind,
    InputKind,
    Level,
    Outcome,
    OutputKind,
    Reason,
    ResetCause,
    SequenceKind,
    State,
    Trigger,
)

Hex32 = NewType("Hex32", int)
"""An id: eight hexadecimal digits on the wire."""
Hex16 = NewType("Hex16", int)
"""A checksum or a mask: four hexadecimal digits on the wire."""

VERSION = 1
LARGEST_REQUEST_ID = 65535


class BadMessage(ValueError):
    """A whole frame whose words are not a message."""


@dataclass(frozen=True, slots=True)
class Message:
    """Anything that travels in a frame. Fields follow the verb in order, one word each."""

    verb: ClassVar[str]

    def words(self) -> tuple[str, ...]:
        """The words of the frame."""
        out = [self.verb]
        for name, kind in _layout(type(self)):
            value = getattr(self, name)
            if get_origin(kind) is tuple:
                out.extend(_write(get_args(kind)[0], item) for item in value)
            else:
                out.append(_write(kind, value))
        return tuple(out)

    @classmethod
    def parse(cls, frame_words: tuple[str, ...]) -> Self:
        """The message in `frame_words`, whose first word is this class's verb.

        Raises BadMessage when a word is missing, superfluous or not of its kind.
        """
        layout = _layout(cls)
        given = frame_words[1:]
        values: list[object] = []
        for at, (name, kind) in enumerate(layout):
            if get_origin(kind) is tuple:
                values.append(tuple(_read(get_args(kind)[0], word, name) for word in given[at:]))
                return cls(*values)
            if at >= len(given):
                raise BadMessage(f"{cls.verb} lacks its {name}")
            values.append(_read(kind, given[at], name))
        if len(given) > len(layout):
            raise BadMessage(f"{cls.verb} has {len(given) - len(layout)} words too many")
        return cls(*values)


_HEX_DIGITS = frozenset("0123456789ABCDEF")
_layouts: dict[type[Message], tuple[tuple[str, object], ...]] = {}


def _layout(cls: type[Message]) -> tuple[tuple[str, object], ...]:
    known = _layouts.get(cls)
    if known is None:
        hints = get_type_hints(cls)
        known = _layouts[cls] = tuple((f.name, hints[f.name]) for f in fields(cls))
    return known


def _write(kind: object, value: object) -> str:
    if kind is Hex32:
        return f"{value:08X}"
    if kind is Hex16 or (isinstance(kind, type) and issubclass(kind, IntFlag)):
        return f"{value:04X}"
    return str(value)


def _read(kind: object, word: str, name: str) -> object:
    try:
        if kind is Hex32 or kind is Hex16:
            return _hex(word, 8 if kind is Hex32 else 4)
        if kind is int:
            if not word.isdecimal() or len(word) > 10:
                raise ValueError
            return int(word)
        if isinstance(kind, type) and issubclass(kind, IntFlag):
            return kind(_hex(word, 4))
        assert isinstance(kind, type)
        return kind(word)
    except ValueError:
        raise BadMessage(f"{word!r} is no {name}") from None


def _hex(word: str, digits: int) -> int:
    if len(word) != digits or not _HEX_DIGITS.issuperset(word):
        raise ValueError
    return int(word, 16)


# --- requests: console to board -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Request(Message):
    """Carries an id from 1 to 65535; the same id in one session is answered, not done, again."""

    req: int


@dataclass(frozen=True, slots=True)
class Hello(Request):
    """Who are you? Answered by YES with the words of `Identity`. Needs no session."""

    verb = "HELLO"


@dataclass(frozen=True, slots=True)
class Open(Request):
    """Open a session: disarms, forgets request ids, and states the stop latch (0: none)."""

    verb = "OPEN"
    boot: Hex32
    session: Hex32
    stop: Hex32


@dataclass(frozen=True, slots=True)
class Stop(Request):
    """All-stop, framed, with the id of the stop. Always acts."""

    verb = "STOP"
    stop: Hex32


@dataclass(frozen=True, slots=True)
class Disarm(Request):
    """Disarm one prop, or all with 0; cuts a running cycle. Always acts."""

    verb = "DISARM"
    prop: int


@dataclass(frozen=True, slots=True)
class Guarded(Request):
    """A request that acts only in its own session and boot."""

    session: Hex32
    boot: Hex32


@dataclass(frozen=True, slots=True)
class Poll(Guarded):
    """The heartbeat. Answered by YES with the board's clock; before that up to `frames` reports."""

    verb = "POLL"
    frames: int


@dataclass(frozen=True, slots=True)
class Clear(Guarded):
    """End the stop of this id, and no newer one. Leaves everything disarmed."""

    verb = "CLEAR"
    stop: Hex32


@dataclass(frozen=True, slots=True)
class Arm(Guarded):
    """Arm a prop for these trigger sources; for an armed prop, change its sources."""

    verb = "ARM"
    prop: int
    sources: words.Sources


@dataclass(frozen=True, slots=True)
class Fire(Guarded):
    """Run one cycle of the selected sequence by hand. The prop must be armed."""

    verb = "FIRE"
    prop: int


@dataclass(frozen=True, slots=True)
class Test(Guarded):
    """Run one cycle of this sequence with the prop disarmed."""

    verb = "TEST"
    prop: int
    sequence: int


@dataclass(frozen=True, slots=True)
class Select(Guarded):
    """Make this the sequence of the cycles to come; a running cycle is not touched."""

    verb = "SELECT"
    prop: int
    sequence: int


@dataclass(frozen=True, slots=True)
class Hold(Guarded):
    """Hold one output on for `ms` (at most 1000) with its prop disarmed; repeat to go on."""

    verb = "HOLD"
    output: int
    ms: int


@dataclass(frozen=True, slots=True)
class Tag(Guarded):
    """Refuse arm, fire, test and hold on this prop until untagged, over power loss too."""

    verb = "TAG"
    prop: int


@dataclass(frozen=True, slots=True)
class Untag(Guarded):
    """Lift the tag."""

    verb = "UNTAG"
    prop: int


@dataclass(frozen=True, slots=True)
class Mend(Guarded):
    """Acknowledge a prop's fault: it becomes disarmed."""

    verb = "MEND"
    prop: int


@dataclass(frozen=True, slots=True)
class Lamp(Guarded):
    """The board's alarm light: 1 on, 0 off."""

    verb = "LAMP"
    on: int


@dataclass(frozen=True, slots=True)
class Ack(Guarded):
    """This cycle is in the ledger: the board may forget it."""

    verb = "ACK"
    life: Hex32
    prop: int
    number: int


@dataclass(frozen=True, slots=True)
class Seen(Guarded):
    """This event is in the ledger: the board may forget it."""

    verb = "SEEN"
    number: int


@dataclass(frozen=True, slots=True)
class Meters(Guarded):
    """Strokes of up to eight outputs from `first` on. Answered by YES with the counts."""

    verb = "METERS"
    first: int


@dataclass(frozen=True, slots=True)
class Begin(Guarded):
    """Begin a new setup; the old one is void. Refused unless everything is disarmed."""

    verb = "BEGIN"
    heartbeat_ms: int
    report_ms: int


@dataclass(frozen=True, slots=True)
class SetProp(Guarded):
    """One prop of the setup. 0 stands for none in `area_input` and `idle`."""

    verb = "SETPROP"
    prop: int
    rest_ms: int
    sequence: int
    area_input: int
    idle: int
    idle_least_ms: int
    idle_most_ms: int


@dataclass(frozen=True, slots=True)
class SetOutput(Guarded):
    """One output of the setup. 0 stands for none in the inputs, for no check in `travel_ms`."""

    verb = "SETOUT"
    output: int
    prop: int
    kind: OutputKind
    at_stop: AtStop
    longest_on_ms: int
    out_input: int
    home_input: int
    travel_ms: int


@dataclass(frozen=True, slots=True)
class SetInput(Guarded):
    """One input of the setup."""

    verb = "SETIN"
    input: int
    prop: int
    kind: InputKind
    level: Level
    debounce_ms: int
    warm_up_ms: int
    clear_first: int


@dataclass(frozen=True, slots=True)
class EndSetup(Guarded):
    """The setup is whole if its checksum is this."""

    verb = "SETUP"
    checksum: Hex16


@dataclass(frozen=True, slots=True)
class SetSequence(Guarded):
    """Begin sequence `sequence` anew; it is whole once `steps` steps match the checksum."""

    verb = "SEQ"
    sequence: int
    prop: int
    kind: SequenceKind
    length_ms: int
    steps: int
    checksum: Hex16


@dataclass(frozen=True, slots=True)
class SetSteps(Guarded):
    """Further steps, each a word such as `350:2+` (at 350 ms output 2 on) or `900:2-` (off)."""

    verb = "STEPS"
    sequence: int
    first: int
    steps: tuple[str, ...]


# --- answers and reports: board to console ---------------------------------------------------


@dataclass(frozen=True, slots=True)
class Yes(Message):
    """Done, with what was asked for."""

    verb = "YES"
    req: int
    values: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class No(Message):
    """Refused; nothing was done."""

    verb = "NO"
    req: int
    reason: Reason


@dataclass(frozen=True, slots=True)
class Busy(Message):
    """Not now; ask again."""

    verb = "BUSY"
    req: int


@dataclass(frozen=True, slots=True)
class Unknown(Message):
    """This board does not know the verb, or its words make no sense."""

    verb = "UNKNOWN"
    req: int


@dataclass(frozen=True, slots=True)
class Identity(Message):
    """What a board says of itself: the values of its answer to HELLO."""

    verb = "IDENTITY"
    boot: Hex32
    board: str
    firmware: str
    protocol: Hex32
    props: int
    outputs: int
    inputs: int
    sequences: int
    steps: int
    longest_frame: int
    records: int
    stop: Hex32
    flags: words.BoardFlags
    setup: Hex16
    checksums: tuple[Hex16, ...]

    @classmethod
    def of(cls, answer: Yes) -> Self:
        """The identity in the answer to HELLO; raises BadMessage."""
        return cls.parse((cls.verb, *answer.values))


@dataclass(frozen=True, slots=True)
class Boot(Message):
    """This board has just started, with everything off and disarmed."""

    verb = "BOOT"
    boot: Hex32
    cause: ResetCause


@dataclass(frozen=True, slots=True)
class BoardReport(Message):
    """The whole board. `stop` is the latched stop's id (0: none); levels 0 where not fitted."""

    verb = "STATE"
    boot: Hex32
    session: Hex32
    ms: int
    stop: Hex32
    flags: words.BoardFlags
    inputs: Hex16
    outputs: Hex16
    supply_mv: int
    pressure_mv: int


@dataclass(frozen=True, slots=True)
class PropReport(Message):
    """One prop. `number` is the newest durable cycle, `oldest` the oldest one still held (0: none).

    `elapsed_ms` is the time since the state began.
    """

    verb = "PROP"
    prop: int
    state: State
    flags: words.PropFlags
    sources: words.Sources
    selected: int
    running: int
    elapsed_ms: int
    life: Hex32
    number: int
    oldest: int


@dataclass(frozen=True, slots=True)
class CycleRecord(Message):
    """One cycle, held until acknowledged.

    `ms` is the board's clock at the start in the boot it names. Each travel is a word: `3>340`,
    output 3 reached its out sensor after 340 ms; `3<410`, it was home again after 410 ms.
    """

    verb = "CYCLE"
    life: Hex32
    prop: int
    number: int
    sequence: int
    trigger: Trigger
    outcome: Outcome
    boot: Hex32
    ms: int
    duration_ms: int
    travels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EventRecord(Message):
    """Something that happened, numbered from 1 in each boot, repeated until seen.

    `prop` is 0 for the whole board; `detail` is a word, `-` where there is none.
    """

    verb = "EVENT"
    number: int
    boot: Hex32
    ms: int
    kind: EventKind
    prop: int
    detail: str
    value: int


REQUESTS: tuple[type[Request], ...] = (
    Hello, Open, Stop, Disarm, Poll, Clear, Arm, Fire, Test, Select, Hold, Tag, Untag, Mend, Lamp,
    Ack, Seen, Meters, Begin, SetProp, SetOutput, SetInput, EndSetup, SetSequence, SetSteps,
)  # fmt: skip
ANSWERS: tuple[type[Message], ...] = (Yes, No, Busy, Unknown)
REPORTS: tuple[type[Message], ...] = (Boot, BoardReport, PropReport, CycleRecord, EventRecord)

_FROM_BOARD: dict[str, type[Message]] = {cls.verb: cls for cls in (*ANSWERS, *REPORTS)}
_TO_BOARD = {cls.verb: cls for cls in REQUESTS}


def parse_from_board(frame_words: tuple[str, ...]) -> Message:
    """What a board says. Raises BadMessage."""
    return _parse(_FROM_BOARD, frame_words)


def parse_to_board(frame_words: tuple[str, ...]) -> Message:
    """What a console says. Raises BadMessage."""
    return _parse(_TO_BOARD, frame_words)


def _parse(known: Mapping[str, type[Message]], frame_words: tuple[str, ...]) -> Message:
    cls = known.get(frame_words[0])
    if cls is None:
        raise BadMessage(f"no message is called {frame_words[0]!r}")
    return cls.parse(frame_words)


def definition() -> str:
    """The whole protocol as text, one line a message and a word list; its hash is in the hello."""
    lines = [f"version {VERSION}"]
    everything: tuple[type[Message], ...] = (*REQUESTS, *ANSWERS, Identity, *REPORTS)
    for cls in everything:
        shape = " ".join(f"{name}:{kind_name(kind)}" for name, kind in _layout(cls))
        lines.append(f"{cls.verb} {shape}")
    for word_list in word_lists():
        names = " ".join(f"{m.name}={m.value}" for m in word_list)
        lines.append(f"{word_list.__name__} {names}")
    return "\n".join(lines) + "\n"


def word_lists() -> tuple[type[StrEnum] | type[IntFlag], ...]:
    """Every list of fixed words and flags, in the order of the definition."""
    return tuple(
        cls
        for cls in vars(words).values()
        if isinstance(cls, type)
        and issubclass(cls, StrEnum | IntFlag)
        and cls not in (StrEnum, IntFlag)
    )


def kind_name(kind: object) -> str:
    """The name of a field's kind as the definition and the generated C side use it."""
    if get_origin(kind) is tuple:
        return kind_name(get_args(kind)[0]) + "*"
    return str(getattr(kind, "__name__", kind))


def layout(cls: type[Message]) -> tuple[tuple[str, str], ...]:
    """Names and kinds of a message's fields, in wire order."""
    return tuple((name, kind_name(kind)) for name, kind in _layout(cls))


PROTOCOL_HASH = Hex32(zlib.crc32(definition().encode("ascii")))
