"""Plants for the tests, and whole nights on virtual time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.framing import Frame, Framer, crc16, encode
from drivers.messages import (
    Ack,
    Arm,
    Begin,
    BoardReport,
    CycleRecord,
    EndSetup,
    EventRecord,
    Guarded,
    Hello,
    Hex32,
    Identity,
    Message,
    No,
    Open,
    Poll,
    Request,
    Seen,
    SetSequence,
    SetSteps,
    Yes,
    parse_from_board,
)  # fmt: skip
from drivers.simulated.description import (
    BoardSpec,
    MotionSpec,
    PlantDescription,
    PressureGauge,
    SensorKind,
    SensorSpec,
    ZoneSpec,
)
from drivers.simulated.night import Hall, controllers_of
from drivers.simulated.plant import Plant
from tests.conformance.stage import EVERY, Item, Stored, setup_text


def plant_of(boards: int, *, walk_s: float = 60.0, shared: int = 0) -> PlantDescription:
    """So many boards, each with a sensor and a motion; the last `shared` are on one line."""
    names = [f"board-{n}" for n in range(1, boards + 1)]
    alone = boards - shared
    return PlantDescription(
        tuple(
            BoardSpec(
                name,
                f"line-{n}" if n <= alone else "shared",
                n,
                supply_mv=24_000,
                gauge=PressureGauge() if n == 1 else None,
            )
            for n, name in enumerate(names, 1)
        ),
        tuple(
            MotionSpec(
                name, 1, out_s=0.25, back_s=0.3, double=n % 2 == 0, out_input=2, home_input=3
            )
            for n, name in enumerate(names)
        ),
        tuple(
            SensorSpec(name, 1, list(SensorKind)[n % 3], f"zone-{n % 4}", at=(n + 1) / (boards + 1))
            for n, name in enumerate(names)
        ),
        tuple(ZoneSpec(f"zone-{n}", walk_s) for n in range(4)),
    )


class Operator:
    """A console on virtual time that arms one board's prop and takes its cycles."""

    def __init__(self, line: str, address: int, say: Callable[[str, bytes], None]) -> None:
        self.line, self.address = line, address
        self._say = say
        self._framer = Framer()
        self._ids = 0
        self.boot = Hex32(0)
        self.cycles: dict[int, CycleRecord] = {}
        self.events: dict[int, EventRecord] = {}
        self.reports: list[BoardReport] = []
        self.refused: list[No] = []
        self._thanks: list[tuple[type[Guarded], tuple[object, ...]]] = []

    def hear(self, data: bytes) -> None:
        """Takes what came on the line."""
        for item in self._framer.feed(data):
            if isinstance(item, Frame) and item.address == self.address:
                self._take(parse_from_board(item.words))

    def _take(self, message: Message) -> None:
        match message:
            case CycleRecord():
                self.cycles[message.number] = message
                self._thanks.append((Ack, (message.life, message.prop, message.number)))
            case EventRecord():
                self.events[message.number] = message
                self._thanks.append((Seen, (message.number,)))
            case BoardReport():
                self.reports.append(message)
            case No():
                self.refused.append(message)
            case Yes(values=values) if len(values) > 8:
                self.boot = Identity.of(message).boot

    def send(self, cls: type[Request], *fields: object) -> None:
        """Sends a request without waiting: on virtual time the answer is there at once."""
        self._ids += 1
        self._say(self.line, encode(self.address, cls(self._ids, *fields).words()))

    def ask(self, cls: type[Guarded], *fields: object) -> None:
        """Sends a request of the session."""
        self.send(cls, Hex32(0x51), self.boot, *fields)

    def begin(self, items: Sequence[Item], stored: Stored) -> None:
        """Opens a session, uploads, and arms prop 1 for its sensor."""
        self.send(Hello)
        self.send(Open, self.boot, Hex32(0x51), Hex32(0))
        every: list[Item] = [(Begin, (1500, 1000)), *items]
        for cls, fields in every:
            self.ask(cls, *fields)
        self.ask(EndSetup, crc16(setup_text(every).encode()))
        self.ask(SetSequence, 1, 1, stored.kind, stored.length, len(stored.steps), stored.checksum)
        self.ask(SetSteps, 1, 0, stored.steps)
        self.ask(Arm, 1, EVERY)
        assert self.refused == []

    def beat(self) -> None:
        """A heartbeat, and thanks for what was heard."""
        thanks, self._thanks = self._thanks, []
        for cls, fields in thanks:
            self.ask(cls, *fields)
        self.ask(Poll, 4)


class VirtualNight:
    """A plant, its boards and an operator for each, in one thread."""

    def __init__(self, description: PlantDescription, **options: float) -> None:
        self.now_us = 0
        self.controllers = controllers_of(description, seed=1)
        self.plant = Plant(description, self.controllers, 0, **options)
        lines = description.lines()
        self.hall = Hall(
            self.controllers,
            {line: [b.name for b in boards] for line, boards in lines.items()},
            self.plant,
            self._hear,
        )
        self.hall.run(0, 0)
        self.operators = {
            board.name: Operator(line, board.address, self._say)
            for line, boards in lines.items()
            for board in boards
        }

    def _say(self, line: str, data: bytes) -> None:
        self.hall.hear(line, data, self.now_us)

    def _hear(self, line: str, data: bytes) -> None:
        for operator in getattr(self, "operators", {}).values():
            if operator.line == line:
                operator.hear(data)

    def begin(self, items: Sequence[Item], stored: Stored) -> None:
        """Arms everything."""
        for operator in self.operators.values():
            operator.begin(items, stored)

    def run(self, seconds: float) -> None:
        """Lets the night go on."""
        end_us = self.now_us + round(seconds * 1e6)
        while self.now_us < end_us:
            before_us, self.now_us = self.now_us, min(end_us, self.now_us + 400_000)
            self.hall.run(self.now_us, before_us)
            for operator in self.operators.values():
                operator.beat()
