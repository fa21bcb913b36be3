"""Boards and plant together: on virtual time a whole evening, in real time a few seconds."""

from __future__ import annotations

import dataclasses
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from shutil import rmtree
from statistics import mean

import pytest

from drivers.messages import BoardReport, CycleRecord, Fire, PropReport
from drivers.simulated.description import PlantDescription
from drivers.words import EventKind, InputKind, Outcome, PropFlags, State, Trigger
from tests.boards import ROOT, Bench, Console, Wire
from tests.conformance.stage import (
    Item,
    Stored,
    armed,
    given_input,
    output,
    prop,
    wait_cycle,
)
from tests.simulated.nights import VirtualNight, plant_of

ITEMS: tuple[Item, ...] = (
    prop(rest=1000),
    output(1, longest=3000, out=2, home=3, travel=500),
    given_input(1),
    given_input(2, InputKind.END, debounce=5),
    given_input(3, InputKind.END, debounce=5),
)
SCARE = Stored(1, 1200, ("0:1+", "600:1-"))


def travels(night: VirtualNight, board: str) -> list[int]:
    """The times out of a board's cycles, in order."""
    cycles = night.operators[board].cycles
    words = [w for _, c in sorted(cycles.items()) for w in c.travels if w.startswith("1>")]
    return [int(word[2:]) for word in words]


def test_an_evening_of_guests() -> None:
    """Seven minutes, four boards, two of them on one line: guests trip props, all is measured."""
    night = VirtualNight(plant_of(4, shared=2), groups_per_hour=120)
    night.begin(ITEMS, SCARE)
    night.run(420)
    for name, operator in night.operators.items():
        assert len(operator.cycles) >= 8, name
        assert {c.trigger for c in operator.cycles.values()} == {Trigger.SENSOR}
        assert {c.outcome for c in operator.cycles.values()} == {Outcome.DONE}
        assert sorted(operator.cycles) == list(range(1, len(operator.cycles) + 1))
        assert 200 <= mean(travels(night, name)) <= 320
        missed = {e.detail for e in operator.events.values() if e.kind is EventKind.MISSED}
        assert missed <= {"running", "resting"}
        assert night.plant.strokes(name, 1) - len(operator.cycles) in (0, 1)


def test_the_tank_empties_and_fills() -> None:
    """Strokes and leaks bring the compressor on; the pressure stays between its set points."""
    described = plant_of(3)
    thirsty = dataclasses.replace(
        described,
        motions=tuple(
            dataclasses.replace(m, bore_m=0.06, stroke_m=0.25, out_s=0.4, back_s=0.4)
            for m in described.motions
        ),
    )
    night = VirtualNight(thirsty, groups_per_hour=120)
    night.begin(ITEMS, SCARE)
    running = []
    levels = []
    for _ in range(90):
        night.run(5)
        running.append(night.plant.tank.running)
        levels.append(night.plant.tank.gauge_pa)
    assert True in running
    assert False in running
    assert min(levels) > 0.85 * described.air.cut_in_pa
    assert max(levels) <= 1.001 * described.air.cut_out_pa
    shown = [r.pressure_mv for r in night.operators["board-1"].reports if r.pressure_mv]
    assert max(shown) - min(shown) > 300


def test_a_great_leak_slows_everything() -> None:
    """With air gone motions come late, or not at all, and the boards say so."""
    night = VirtualNight(plant_of(3), groups_per_hour=120)
    night.begin(ITEMS, SCARE)
    night.run(200)
    before = mean(travels(night, "board-1"))
    count = len(travels(night, "board-1"))
    night.plant.leak(0.02)
    night.run(300)
    after = travels(night, "board-1")[count:]
    late = [
        e
        for operator in night.operators.values()
        for e in operator.events.values()
        if e.kind is EventKind.LATE
    ]
    assert late
    assert not after or max(after) > 1.2 * before


def test_wear_slows_a_motion() -> None:
    """Thousands of strokes make a motion measurably slower."""
    described = plant_of(1)
    worn = dataclasses.replace(
        described, motions=(dataclasses.replace(described.motions[0], wear=5e-3),)
    )
    night = VirtualNight(worn, groups_per_hour=240)
    night.begin(ITEMS, SCARE)
    night.run(1500)
    times = travels(night, "board-1")
    assert len(times) > 40
    assert mean(times[-5:]) > 1.15 * mean(times[:5])


def test_a_slowed_motion_is_slower_from_then_on() -> None:
    """`slow` is what a kinked hose does."""
    night = VirtualNight(plant_of(1), groups_per_hour=240)
    night.begin(ITEMS, SCARE)
    night.run(300)
    before = travels(night, "board-1")
    night.plant.slow("board-1", 1, 1.8)
    night.run(300)
    after = travels(night, "board-1")[len(before) :]
    assert mean(after) > 1.5 * mean(before)
    with pytest.raises(ValueError, match="no motion"):
        night.plant.slow("board-1", 9, 2.0)


def test_nights_repeat() -> None:
    """On virtual time the same seeds give the same night, cycle for cycle."""
    nights = []
    for _ in range(2):
        night = VirtualNight(plant_of(3), groups_per_hour=90)
        night.begin(ITEMS, SCARE)
        night.run(300)
        nights.append([o.cycles for o in night.operators.values()])
    assert nights[0] == nights[1]


# --- the process ---------------------------------------------------------------------------------


class NightProcess:
    """`python -m drivers.simulated.night`, its folder and its bench."""

    def __init__(self, description: PlantDescription, *options: str) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
        plan = self.folder / "plant.json"
        plan.write_text(description.to_json(), encoding="utf-8")
        self.process = subprocess.Popen(
            [
                sys.executable, "-m", "drivers.simulated.night", "--description", os.fspath(plan),
                "--folder", os.fspath(self.folder / "night"), "--bench",
                os.fspath(self.folder / "bench"), *options,
            ],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == f"ready {self.folder / 'night'}\n"
        self.bench = Bench(self.folder / "bench", description.boards[0].name)

    def port(self, line: str) -> Path:
        """The port of a line."""
        return self.folder / "night" / f"{line}.port"

    def end(self) -> None:
        """Ends it and clears up."""
        self.bench.close()
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(10) == 0
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()
        rmtree(self.folder)


@pytest.fixture
def night() -> Iterator[NightProcess]:
    """Three boards without guests, two of them on one line."""
    made = NightProcess(plant_of(3, shared=2), "--rate", "0", "--seed", "4")
    yield made
    made.end()


def test_a_tripped_sensor_moves_a_cylinder(night: NightProcess) -> None:
    """The bench trips a sensor; output, end sensors, travels and supply follow in real time."""
    wire = Wire(night.port("line-1"))
    console = Console(wire, 1)
    console.open(1)
    armed(console, ITEMS, SCARE)
    assert not console.prop_report().flags & PropFlags.NOT_HOME
    night.bench.command("trip board-1 1")
    record = wait_cycle(console, 1)
    assert [word[:2] for word in record.travels] == ["1>", "1<"]
    assert 200 <= int(record.travels[0][2:]) <= 330
    assert console.board_report().supply_mv == 24_000
    wire.close()


def test_a_slowed_motion_is_late(night: NightProcess) -> None:
    """`slow` through the bench: the next cycle takes longer."""
    wire = Wire(night.port("line-1"))
    console = Console(wire, 1)
    console.open(1)
    armed(console, ITEMS, Stored(1, 2500, ("0:1+", "1500:1-")))
    night.bench.command("slow board-1 1 3")
    console.yes(Fire, 1)
    console.wait(PropReport, lambda r: r.state is State.RUNNING, since=0)
    record = console.wait(CycleRecord, seconds=5)
    assert int(record.travels[0][2:]) > 550
    wire.close()


def test_a_silent_board_disarms_itself(night: NightProcess) -> None:
    """`silent`: no answer and nothing heard; its neighbour on the line is not touched."""
    wire = Wire(night.port("shared"))
    pair = [Console(wire, 2, polled=True), Console(wire, 3, polled=True)]
    for number, console in enumerate(pair, 1):
        console.open(number)
        armed(console, ITEMS, SCARE, heartbeat=600)
    night.bench.command("silent board-2")
    pair[1].rest(1.0)
    mark = len(wire.heard)
    pair[1].rest(0.3)
    assert {h.address for h in wire.heard[mark:]} == {3}
    night.bench.command("silent board-2 0")
    pair[0].wait(PropReport, lambda r: r.state is State.DISARMED)
    assert pair[1].prop_report().state is State.ARMED
    wire.close()


def test_a_leak_shows_at_the_gauge(night: NightProcess) -> None:
    """`leak`: the pressure that board 1 reports falls."""
    wire = Wire(night.port("line-1"))
    console = Console(wire, 1)
    console.open(1)
    before = console.board_report().pressure_mv
    night.bench.command("leak 60")
    console.wait(BoardReport, lambda r: r.pressure_mv < before - 40, seconds=6)
    wire.close()


def test_the_bench_of_a_night_explains_itself(night: NightProcess) -> None:
    """Wrong commands are answered with what is wanted, and change nothing."""
    for command, says in {
        "silent nobody": "silent BOARD",
        "slow board-1 1": "slow BOARD OUTPUT FACTOR",
        "slow board-1 7 2": "no motion on output 7",
        "leak much": "much",
        "trip board-1": "trip BOARD INPUT",
        "trip board-9 1": "no input 1",
        "set 1 0": "name one of the boards",
        "dance": "nothing is called",
    }.items():
        with pytest.raises(AssertionError, match=says):
            night.bench.command(command)


def test_a_bad_description_ends_the_process(tmp_path: Path) -> None:
    """One line on stderr and exit code 1."""
    plan = tmp_path / "plant.json"
    plan.write_text('{"boards": []}')
    done = subprocess.run(
        [
            sys.executable, "-m", "drivers.simulated.night", "--description", plan,
            "--folder", tmp_path,
        ],
        cwd=ROOT, capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.strip().splitlines() == [
        "python -m drivers.simulated.night: a plant needs at least one board"
    ]
