"""The controller on virtual time: whatever is said and done to it, its promises hold."""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.framing import STOP_BYTE, Frame, Framer, crc16, encode
from drivers.messages import (
    Ack,
    Arm,
    Begin,
    Boot,
    Clear,
    CycleRecord,
    Disarm,
    EndSetup,
    Fire,
    Guarded,
    Hello,
    Hex32,
    Hold,
    Identity,
    Mend,
    Message,
    Open,
    Poll,
    PropReport,
    Select,
    SetSequence,
    SetSteps,
    Stop,
    Tag,
    Untag,
    Yes,
    parse_from_board,
)
from drivers.messages import Test as RunTest
from drivers.simulated.controller import SimulatedController
from drivers.simulated.stores import PlainStore
from drivers.words import InputKind, OutputKind, SequenceKind, State
from tests.conformance.stage import (
    EVERY,
    Item,
    Stored,
    given_input,
    output,
    prop,
    setup_text,
)

LIMIT_MS = 400
NO_BOOT = Hex32(0)
ITEMS: tuple[Item, ...] = (
    prop(rest=300, idle=2, least=500, most=900),
    output(1, longest=LIMIT_MS),
    output(2, longest=LIMIT_MS),
    output(3, kind=OutputKind.LIGHT),
    given_input(1),
    given_input(2, InputKind.ACTOR, clear_first=0),
)
CYCLE = Stored(1, 600, ("0:1+", "0:3+", "300:1-", "350:2+", "500:2-"))
IDLE = Stored(2, 200, ("0:2+", "150:2-"), kind=SequenceKind.IDLE)
TOO_LONG = Stored(3, 900, ("0:1+", "800:1-"))


@dataclass
class Bench:
    """A controller with a console's hands on virtual time."""

    board: SimulatedController = field(
        default_factory=lambda: SimulatedController("bench", PlainStore(), rng=random.Random(1))
    )
    now_us: int = 0
    ids: int = 0
    boot: Hex32 = NO_BOOT
    heard: list[Message] = field(default_factory=list)
    on_since: dict[int, int] = field(default_factory=dict)
    longest_us: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.framer = Framer()

    def take(self, data: bytes) -> None:
        for item in self.framer.feed(data):
            if isinstance(item, Frame):
                self.heard.append(parse_from_board(item.words))
        for number in range(1, 17):
            if self.board.outputs >> (number - 1) & 1:
                self.on_since.setdefault(number, self.now_us)
            elif (since := self.on_since.pop(number, None)) is not None:
                lasted = self.now_us - since
                self.longest_us[number] = max(lasted, self.longest_us.get(number, 0))

    def wait(self, ms: int) -> None:
        until_us = self.now_us + ms * 1000
        while self.board.next_due_us <= until_us:
            self.now_us = max(self.now_us, self.board.next_due_us)
            self.take(self.board.step(self.now_us))
        self.now_us = until_us
        self.take(self.board.step(self.now_us))

    def say(self, data: bytes) -> None:
        self.take(self.board.step(self.now_us, data))

    def ask(self, cls: type[Guarded], *fields: object) -> Message:
        self.ids += 1
        self.say(encode(1, cls(self.ids, Hex32(7), self.boot, *fields).words()))
        return next(m for m in reversed(self.heard) if getattr(m, "req", None) == self.ids)

    def start(self) -> None:
        self.ids += 1
        self.say(encode(1, Hello(self.ids).words()))
        answer = next(m for m in reversed(self.heard) if isinstance(m, Yes))
        self.boot = Identity.of(answer).boot
        self.ids += 1
        self.say(encode(1, Open(self.ids, self.boot, Hex32(7), Hex32(0)).words()))
        every: list[Item] = [(Begin, (1500, 500)), *ITEMS]
        for cls, fields in every:
            assert isinstance(self.ask(cls, *fields), Yes)
        assert isinstance(self.ask(EndSetup, crc16(setup_text(every).encode())), Yes)
        for stored in (CYCLE, IDLE, TOO_LONG):
            self.ask(
                SetSequence, stored.number, 1, stored.kind, stored.length, len(stored.steps),
                stored.checksum,
            )  # fmt: skip
            assert isinstance(self.ask(SetSteps, stored.number, 0, stored.steps), Yes)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=40), max_size=30))
def test_any_bytes_are_borne(pieces: list[bytes]) -> None:
    """Nothing on the line raises, moves an output, or keeps it from answering."""
    bench = Bench()
    bench.start()
    for piece in pieces:
        bench.say(piece)
        bench.wait(7)
        assert bench.board.outputs == 0
    bench.ids += 1
    bench.say(encode(1, Hello(bench.ids).words()))
    assert any(getattr(m, "req", 0) == bench.ids for m in bench.heard)


deeds = st.lists(
    st.sampled_from(
        [
            "arm", "fire", "fire", "test", "test-long", "hold", "disarm", "stop-byte", "stop",
            "clear", "sensor", "sensor-off", "button", "button-off", "open-stop", "close-stop",
            "reset", "cut", "select", "wait-40", "wait-40", "wait-300", "wait-900", "silence",
            "mend", "tag", "untag",
        ]
    ),
    max_size=60,
)  # fmt: skip


class Player(Bench):
    """Does what Hypothesis thinks of."""

    def do(self, deed: str) -> None:
        asked: dict[str, tuple[type[Guarded], tuple[object, ...]]] = {
            "arm": (Arm, (1, EVERY)),
            "fire": (Fire, (1,)),
            "test": (RunTest, (1, 1)),
            "test-long": (RunTest, (1, 3)),
            "hold": (Hold, (2, 700)),
            "select": (Select, (1, 3)),
            "mend": (Mend, (1,)),
            "tag": (Tag, (1,)),
            "untag": (Untag, (1,)),
            "clear": (Clear, (0x77,)),
        }
        pins = {"sensor": (1, 0), "sensor-off": (1, 1), "button": (2, 0), "button-off": (2, 1)}
        if deed in asked:
            self.ask(asked[deed][0], *asked[deed][1])
        elif deed in pins:
            self.board.set_input(*pins[deed])
        elif deed in ("open-stop", "close-stop"):
            self.board.set_input(0, int(deed == "close-stop"))
            self.wait(0)
        elif deed == "stop-byte":
            self.say(bytes([STOP_BYTE]))
        elif deed == "stop":
            self.ids += 1
            self.say(encode(1, Stop(self.ids, Hex32(0x77)).words()))
        elif deed == "disarm":
            self.ids += 1
            self.say(encode(1, Disarm(self.ids, 0).words()))
        elif deed in ("reset", "cut"):
            self.board.reset() if deed == "reset" else self.board.cut()
            self.take(b"")
            assert self.board.outputs == 0
            self.board.power()
            self.start()
        elif deed == "silence":
            self.wait(1800)
        else:
            self.ask(Poll, 0)
            self.wait(int(deed.removeprefix("wait-")))
        if deed in ("stop-byte", "stop", "disarm", "open-stop", "silence", "tag"):
            assert self.board.outputs & 0b011 == 0, deed


@settings(max_examples=80, deadline=None)
@given(deeds)
def test_promises_hold_whatever_is_done(todo: list[str]) -> None:
    """No output over its limit, nothing on when stopped or disarmed, no number lost or doubled."""
    player = Player()
    player.start()
    for deed in todo:
        player.do(deed)
        latched = player.board._running is not None and player.board._running.board.parts.latch.stop
        if latched:
            assert player.board.outputs & 0b011 == 0
    player.wait(3000)
    assert player.board.outputs & 0b011 == 0
    for number in (1, 2):
        assert player.longest_us.get(number, 0) <= LIMIT_MS * 1000
    for _ in range(200):
        held = [m for m in player.heard if isinstance(m, CycleRecord)]
        newest = [m for m in player.heard if isinstance(m, PropReport)][-1]
        if not held or newest.oldest == 0:
            break
        player.ask(Ack, held[-1].life, 1, held[-1].number)
        player.wait(510)
    records: dict[int, tuple[int, int]] = {}
    for message in player.heard:
        if isinstance(message, CycleRecord):
            what = (message.boot, message.ms)
            assert records.setdefault(message.number, what) == what
    states = [
        m.state if isinstance(m, PropReport) else None
        for m in player.heard
        if isinstance(m, PropReport | Boot)
    ]
    begun = sum(
        now is State.RUNNING and before is not State.RUNNING
        for before, now in itertools.pairwise([None, *states])
    )
    newest_number = max((m.number for m in player.heard if isinstance(m, PropReport)), default=0)
    assert newest_number == begun
    assert set(records) >= set(range(max(1, newest_number - 15), newest_number + 1))


def test_a_late_step_does_everything_at_its_time() -> None:
    """Stepped a second late, a cycle still has its length and its travels their times."""
    bench = Bench()
    bench.start()
    bench.ask(Arm, 1, EVERY)
    bench.ask(Fire, 1)
    bench.now_us += 1_000_000
    bench.take(bench.board.step(bench.now_us))
    record = next(m for m in bench.heard if isinstance(m, CycleRecord))
    assert record.duration_ms == CYCLE.length


def test_a_night_of_idle_movement_keeps_its_bounds() -> None:
    """Over a virtual hour the pauses lie between the least and the most time."""
    bench = Bench()
    bench.start()
    bench.ask(Arm, 1, EVERY)
    rises: list[int] = []
    was = 0
    end = bench.now_us + 600_000_000
    while bench.now_us < end:
        due = min(bench.board.next_due_us, bench.now_us + 300_000)
        bench.now_us = max(bench.now_us, due)
        bench.take(bench.board.step(bench.now_us))
        if bench.board.outputs & 2 and not was & 2:
            rises.append(bench.now_us)
        was = bench.board.outputs
        bench.ask(Poll, 0)
    gaps = [(b - a) / 1000 for a, b in itertools.pairwise(rises)]
    assert len(gaps) > 400
    assert min(gaps) >= 200 + 500
    assert max(gaps) <= 200 + 900 + 1
    assert max(gaps) - min(gaps) > 300
