"""The ATmega328P's own binary at its pins, in instruction cycles; `figures.py` runs longer."""

from __future__ import annotations

import random
import subprocess
from collections.abc import Iterator

import pytest

from drivers.firmware import build
from tests.avr import figures
from tests.avr.traced import MHZ, SITUATIONS, Traced, stop_cycles, traced
from tests.tools import built

MS = 1000 * MHZ


@pytest.fixture(scope="module")
def part() -> Iterator[Traced]:
    """A running part."""
    with traced() as running:
        yield running


@pytest.mark.parametrize("situation", SITUATIONS)
def test_stop_byte_to_outputs_off(part: Traced, situation: str) -> None:
    """Under 300 us whatever the firmware is doing: eight outputs off, both ports."""
    rng = random.Random(situation)
    assert max(stop_cycles(part, situation, rng) for _ in range(4)) < 300 * MHZ


def test_sensor_edge_to_first_output(part: Traced) -> None:
    """Within 2 ms of the debounced change."""
    cycles = figures.triggers(part, 4)
    assert max(cycles) < 2 * MS
    assert min(cycles) > -MS, "and not before the debounce, but for the tick it is counted from"


def test_steps_keep_their_distances(part: Traced) -> None:
    """Forty steps over four seconds lie within a millisecond of their times."""
    assert max(map(abs, figures.jitter(part, 4))) < MS


def test_the_stack_has_room() -> None:
    """What the linker counts and the deepest stack leave a fifth of the RAM."""
    rng = random.Random(5)
    with traced() as running:
        for situation in SITUATIONS:
            stop_cycles(running, situation, rng)
        assert 0 < running.deepest < RAM_BYTES * 80 // 100 - _sizes()[1]


def test_reset_and_watchdog(part: Traced) -> None:
    """A reset in mid-cycle has outputs off at once; a hung loop is reset within 300 ms."""
    off, bitten = figures.resets(part)
    assert off == 0
    assert bitten < 300 * MS


def test_heartbeat_and_largest_on_time() -> None:
    """Set time +0 / +20 ms without a heartbeat, limit +0 / +5 ms for an output."""
    with traced(heartbeat=400) as running:
        assert all(0 <= c <= 20 * MS for c in figures.heartbeats(running, 3, 400))
    with traced() as running:
        assert all(0 <= c <= 5 * MS for c in figures.on_times(running, 3))


def test_it_is_small() -> None:
    """Flash and RAM that the linker counts leave room for a stack and for what is to come."""
    flash, ram = _sizes()
    assert flash < FLASH_BYTES * 60 // 100
    assert ram < RAM_BYTES * 60 // 100


def _sizes() -> tuple[int, int]:
    elf = built(build.avr_firmware)
    sizes = subprocess.run(["avr-size", elf], capture_output=True, text=True, check=True)
    text, data, bss = (int(word) for word in sizes.stdout.splitlines()[1].split()[:3])
    return text + data, data + bss


FLASH_BYTES = 32768
RAM_BYTES = 2048
