"""A night on simulated controllers: their lines, and guests who walk through the plant.

`python -m drivers.simulated.night --description FILE --folder DIR` makes one pseudo-terminal for
each line, with the link `DIR/LINE.port`, keeps each board's memory in `DIR/BOARD.nv`, and lets
guests in. Its bench knows, beside what every bench does: `silent BOARD [0|1]`, `slow BOARD OUTPUT
FACTOR`, `leak SCFM` and `trip BOARD INPUT`.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from drivers.simulated.bench import Command
from drivers.simulated.controller import SimulatedController
from drivers.simulated.description import SCFM_M3_PER_S, PlantDescription, perturbed
from drivers.simulated.host import Host, Waker, clock_us
from drivers.simulated.line import Line
from drivers.simulated.plant import Plant
from drivers.simulated.stores import FileStore, PlainStore, Store, Writer


def controllers_of(
    description: PlantDescription,
    store: Callable[[str], Store] = lambda _: PlainStore(),
    seed: int | None = None,
) -> dict[str, SimulatedController]:
    """A controller for each board of the description, by name."""
    return {
        board.name: SimulatedController(
            board.name,
            store(board.name),
            address=board.address,
            shared=len(boards) > 1,
            rng=random.Random(None if seed is None else f"{seed} {board.name}"),
        )
        for boards in description.lines().values()
        for board in boards
    }


class Hall:
    """Controllers and plant in one thread, on the caller's time: a night without a wait.

    `say` is called with the name of a line and the bytes that its boards sent.
    """

    def __init__(
        self,
        controllers: Mapping[str, SimulatedController],
        lines: Mapping[str, Sequence[str]],
        plant: Plant,
        say: Callable[[str, bytes], None],
    ) -> None:
        """`lines` has the names of the boards of each line."""
        self._controllers = controllers
        self._lines = lines
        self._plant = plant
        self._say = say

    @property
    def next_due_us(self) -> int:
        """When something happens next by itself."""
        return min(self._plant.next_due_us, *(c.next_due_us for c in self._controllers.values()))

    def hear(self, line: str, data: bytes, now_us: int) -> None:
        """Gives the boards of a line what the console sent."""
        for name in self._lines[line]:
            self._step(line, name, now_us, data)
        self._plant.step(now_us)

    def run(self, until_us: int, now_us: int) -> None:
        """Lets everything happen that is due up to then, each at its own time."""
        while (due_us := self.next_due_us) <= until_us:
            now_us = max(now_us, due_us)
            for line, names in self._lines.items():
                for name in names:
                    if self._controllers[name].next_due_us <= now_us:
                        self._step(line, name, now_us, b"")
            self._plant.step(now_us)

    def _step(self, line: str, name: str, now_us: int, data: bytes) -> None:
        said = self._controllers[name].step(now_us, data)
        if said:
            self._say(line, said)


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs a night until told to end; the exit code."""
    parser = _parser()
    given = parser.parse_args(arguments)
    try:
        description = PlantDescription.from_json(given.description.read_text(encoding="utf-8"))
        if given.seed is not None:
            description = perturbed(description, given.seed)
        _serve(description, given)
    except (OSError, ValueError) as error:
        print(f"{parser.prog}: {error}", file=sys.stderr)
        return 1
    return 0


def _serve(description: PlantDescription, given: argparse.Namespace) -> None:
    given.folder.mkdir(parents=True, exist_ok=True)
    waker = Waker()
    writer = Writer(waker.wake)
    controllers = controllers_of(
        description, lambda name: FileStore(given.folder / f"{name}.nv", writer), given.seed
    )
    lines = [
        Line(given.folder / f"{name}.port", [controllers[board.name] for board in boards])
        for name, boards in description.lines().items()
    ]
    plant = Plant(
        description,
        controllers,
        clock_us(),
        seed=random.randrange(1 << 32) if given.seed is None else given.seed,
        groups_per_hour=given.rate,
        speed=given.speed,
    )
    if given.say_groups:
        plant.guests.entered = lambda size: print(f"group {size}", flush=True)
    host = Host(lines, writer, waker)
    host.attach_world(plant)
    if given.bench is not None:
        host.attach_bench(given.bench, _commands(plant, lines, controllers))
    host.serve(f"ready {given.folder}")


def _commands(
    plant: Plant, lines: Sequence[Line], controllers: Mapping[str, SimulatedController]
) -> dict[str, Command]:
    def silent(words: Sequence[str]) -> None:
        if len(words) not in (1, 2) or words[0] not in controllers:
            raise ValueError("silent BOARD [0|1]")
        for line in lines:
            if words[0] in {board.board_id for board in line.boards}:
                (line.silent.discard if words[1:] == ["0"] else line.silent.add)(words[0])

    def slow(words: Sequence[str]) -> None:
        if len(words) != 3:
            raise ValueError("slow BOARD OUTPUT FACTOR")
        plant.slow(words[0], int(words[1]), float(words[2]))

    def leak(words: Sequence[str]) -> None:
        if len(words) != 1:
            raise ValueError("leak SCFM")
        plant.leak(float(words[0]) * SCFM_M3_PER_S)

    def trip(words: Sequence[str]) -> None:
        if len(words) != 2:
            raise ValueError("trip BOARD INPUT")
        plant.trip(words[0], int(words[1]))

    return {"silent": silent, "slow": slow, "leak": leak, "trip": trip}


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m drivers.simulated.night",
        description="Simulated controllers in a plant with guests, on pseudo-terminals.",
        epilog="example: python -m drivers.simulated.night --description p.json --folder /tmp/n",
    )
    parser.add_argument("--description", type=Path, required=True, help="the plant, as JSON")
    parser.add_argument("--folder", type=Path, required=True, help="for ports and memories")
    parser.add_argument("--bench", type=Path, help="the socket of the bench")
    parser.add_argument("--seed", type=int, help="how the plant differs from its description")
    parser.add_argument(
        "--say-groups", action="store_true", help="print `group SIZE` for each group let in"
    )
    parser.add_argument("--rate", type=float, help="groups of guests an hour")
    parser.add_argument(
        "--speed", type=float, default=1.0, help="how many times faster guests come and walk"
    )
    return parser


if __name__ == "__main__":
    sys.exit(main())
