"""The engine as a process, on real firmware boards behind pseudo-terminals."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from console.engine.helper import recall
from console.ledger.reader import Reader
from console.places import data_dir, slug_of
from console.views.client import call
from tests.boards import KINDS, ROOT, Wire
from tests.engine.real import RealSite, until

Make = Callable[..., RealSite]


@pytest.fixture
def make(folder: Path) -> Iterator[Make]:
    """Makes a site of firmware boards with a running engine, everything live."""
    made: list[RealSite] = []

    def start(boards: int = 1, **options: object) -> RealSite:
        site = RealSite(folder, KINDS["firmware"](), boards, **options)
        made.append(site)
        site.start_boards()
        site.start_engine()
        site.until_live()
        return site

    yield start
    for site in made:
        site.close()


def test_arm_trigger_fire_and_switch_reach_the_pins(make: Make) -> None:
    """What is asked of the engine happens at a board's outputs, and is counted."""
    site = make(2)
    assert site.ask("open_night", by="mara").ok
    site.arm_all()
    bench = site.bench("board-1")
    site.trigger("board-1")
    bench.outputs(0b11)
    bench.outputs(0)
    until(lambda: site.view("prop/prop-1")["cycles_tonight"] == 1, 5, "the cycle is counted")
    site.until_all("armed")
    assert site.ask("fire", prop="prop-2").done == ("prop-2",)
    site.bench("board-2").outputs(0b11)
    assert site.ask("switch", props=["prop-1"], sequence="slow").ok
    until(lambda: site.view("prop/prop-1")["sequence"] == "slow", 5, "switched")


def test_all_stop_is_seen_at_the_pins_of_every_board(make: Make) -> None:
    """Outputs go off, every controller confirms, nothing starts until the clear."""
    site = make(3)
    site.arm_all()
    assert site.ask("switch", props=["all"], sequence="slow").ok
    time.sleep(0.1)
    for name in site.names:
        site.bench(name).set(1, 0)
        site.bench(name).outputs(0b11)
    answers = site.stop()
    assert answers[-1] == {"done": True, "confirmed": 3, "of": 3}
    for name in site.names:
        site.bench(name).wait(lambda pins: pins.outputs & 0b01 == 0)
        site.bench(name).set(1, 1)
    site.until_all("stopped")
    for name in site.names:
        site.trigger(name)
    time.sleep(0.5)
    assert all(site.bench(name).pins().outputs & 0b01 == 0 for name in site.names)
    stop = site.view("stop")["id"]
    assert site.ask("clear", stop=stop, by="mara", why="test").ok
    site.until_all("disarmed")


def test_boards_disarm_when_the_engine_is_killed_and_the_next_one_counts_on(make: Make) -> None:
    """SIGKILL latches nothing: boards disarm by heartbeat; records wait for the next engine."""
    site = make()
    assert site.ask("open_night", by="mara").ok
    site.arm_all()
    # What was armed is written beside the loop, a moment after it shows.
    kept = data_dir() / f"{slug_of(site.site)}.show"
    until(lambda: kept.exists() and recall(kept).get("armed") == ["prop-1"], 5, "it is kept")
    site.end_engine(signal.SIGKILL)
    site.trigger("board-1")
    site.bench("board-1").outputs(0b11)
    time.sleep(2.0)
    site.trigger("board-1")
    time.sleep(0.3)
    assert site.bench("board-1").pins().outputs & 0b01 == 0
    site.start_engine()
    site.until_all("disarmed")
    until(lambda: site.view("prop/prop-1")["cycles_tonight"] == 1, 5, "the cycle is fetched")
    assert site.view("site")["rearm"] == ["prop-1"]
    assert not site.view("stop")["latched"]


def test_the_stop_survives_the_engine_and_the_boards(make: Make) -> None:
    """Engine killed, board reset: both come back stopped under the same id."""
    site = make()
    site.stop()
    stop = site.view("stop")["id"]
    site.end_engine(signal.SIGKILL)
    site.bench("board-1").reset()
    site.start_engine()
    site.until_all("stopped")
    assert site.view("stop")["id"] == stop


def test_a_board_process_that_ends_and_comes_back_is_found_again(make: Make) -> None:
    """The port vanishes and returns under another name; the board comes back disarmed, at once."""
    site = make()
    site.arm_all()
    site.trigger("board-1")
    until(lambda: site.view("prop/prop-1")["cycles_life"] == 1, 5, "counted")
    site.boards["board-1"].end(signal.SIGKILL)
    until(lambda: site.states()["prop-1"] == "offline", 5, "offline")
    site.boards["board-1"].start()
    began = time.monotonic()
    site.until_all("disarmed")
    assert time.monotonic() - began < 2.0
    until(lambda: site.view("prop/prop-1")["cycles_life"] == 1, 5, "still one cycle")


def test_boards_on_each_others_ports_are_told_apart(make: Make, folder: Path) -> None:
    """With the plugs of two boards changed each is found by its own id."""
    site = make(2)
    for name in site.names:
        site.boards[name].end(signal.SIGKILL)
    ports = folder / "ports"
    ports.joinpath("line-1").unlink()
    ports.joinpath("line-2").unlink()
    ports.joinpath("line-1").symlink_to(site.boards["board-2"].port)
    ports.joinpath("line-2").symlink_to(site.boards["board-1"].port)
    site.start_boards()
    site.until_live(15)
    assert site.view("controller/board-1")["board"] == "B-1"
    site.arm_all()
    site.trigger("board-2")
    site.bench("board-2").outputs(0b11)


def test_a_second_engine_of_the_site_is_refused_by_name(make: Make) -> None:
    """Exit code 2, and who holds it."""
    site = make()
    assert site.engine is not None
    second = subprocess.run(
        [sys.executable, "-m", "console.cli", "engine", str(site.site)],
        cwd=ROOT, capture_output=True, text=True, timeout=20,
    )  # fmt: skip
    assert second.returncode == 2
    assert f"process {site.engine.pid}" in second.stderr


def test_a_second_engine_on_the_same_line_is_refused_by_name(make: Make, folder: Path) -> None:
    """Another site file that names the same line cannot have it."""
    site = make()
    other = folder / "other.yaml"
    other.write_text(site.site.read_text().replace("Test yard", "Other yard"))
    second = subprocess.run(
        [sys.executable, "-m", "console.cli", "engine", str(other)],
        cwd=ROOT, capture_output=True, text=True, timeout=20,
    )  # fmt: skip
    assert second.returncode == 2
    assert str(site.site) in second.stderr


def test_sigterm_ends_in_order_and_sighup_is_ignored(make: Make) -> None:
    """A lost terminal ends nothing; SIGTERM disarms everything before it ends with 0."""
    site = make()
    site.arm_all()
    assert site.engine is not None
    site.engine.send_signal(signal.SIGHUP)
    time.sleep(0.3)
    assert site.states()["prop-1"] == "armed"
    assert site.end_engine(signal.SIGTERM) == 0
    site.trigger("board-1")
    time.sleep(0.3)
    assert site.bench("board-1").pins().outputs == 0


def test_no_handler_is_long(make: Make) -> None:
    """With boards cycling hardly any handler needs 2 ms of its own time."""
    site = make(3)
    site.arm_all()
    for _ in range(3):
        for name in site.names:
            site.trigger(name)
        time.sleep(0.4)
    stats = call(site.sockets.socket, "stats").result
    assert stats["own_median_ms"] < 1.0
    assert stats["own_p99_ms"] < 4.0


def test_a_port_that_another_program_holds_is_said(make: Make) -> None:
    """The line waits, an alarm says why, and the board is found as soon as the port is free."""
    site = make()
    site.end_engine()
    holder = Wire(site.boards["board-1"].port)
    site.start_engine()
    until(lambda: "port-held/line-1" in site.alarms(), 5, "the alarm stands")
    holder.close()
    site.until_live()
    assert "port-held/line-1" not in site.alarms()


def test_the_last_cycles_are_shown_by_the_next_engine(make: Make) -> None:
    """What a prop did last is read back from the ledger."""
    site = make()
    site.arm_all()
    site.trigger("board-1")
    until(lambda: site.view("prop/prop-1")["last_cycles"], 5, "the cycle is shown")
    before = site.view("prop/prop-1")
    assert site.end_engine() == 0
    site.start_engine()
    after = site.view("prop/prop-1")
    assert after["last_cycles"] == before["last_cycles"]
    assert after["last_trigger"] == "sensor"


def test_frames_of_a_lost_link_are_kept(make: Make) -> None:
    """The event of a loss carries the last frames of the line."""
    site = make()
    time.sleep(1)
    site.boards["board-1"].end(signal.SIGKILL)
    until(lambda: site.states()["prop-1"] == "offline", 5, "offline")
    assert site.end_engine() == 0
    with Reader.open(site.ledger) as reader:
        (lost,) = [e for e in reader.events() if e.kind == "controller-lost"]
    frames = lost.detail["frames"]
    assert isinstance(frames, list)
    assert any(" POLL " in frame for frame in frames)
