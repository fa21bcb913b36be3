"""Measures the ATmega328P's binary in instruction cycles: `python -m tests.avr.figures [RUNS]`.

Each figure is the worst of its runs, in cycles and in microseconds at 16 MHz. The deepest stack
that these runs saw is in bytes.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterable

from drivers.messages import Arm, Disarm, Fire, Mend, Poll
from tests.avr.traced import EVERYTHING, MHZ, SITUATIONS, Traced, stop_cycles, traced
from tests.conformance.stage import EVERY, Stored, output, prepare, prop, upload_sequence


def stops(part: Traced, runs: int, seed: int = 1) -> dict[str, list[int]]:
    """Stop byte's last bit to all outputs off, by what the firmware is doing."""
    rng = random.Random(seed)
    return {s: [stop_cycles(part, s, rng) for _ in range(runs)] for s in SITUATIONS}


def triggers(part: Traced, runs: int, debounce_ms: int = 20) -> list[int]:
    """Sensor edge to first output, less the debounce."""
    part.console.yes(Arm, 1, EVERY)
    found = []
    for _ in range(runs):
        part.settle(0.2)
        mark = len(part.edges)
        part.do("set 1 0")
        edge = part.wait("input", lambda v: v == 0x10, mark)
        on = part.wait("outputs", lambda v: v != 0, mark)
        found.append(on.cycle - edge.cycle - debounce_ms * 1000 * MHZ)
        part.do("set 1 1")
        part.console.ask(Disarm(part.console.next_id(), 0))
        part.settle(0.25)
        part.console.yes(Arm, 1, EVERY)
    part.console.ask(Disarm(part.console.next_id(), 0))
    part.settle(0.2)
    return found


def jitter(part: Traced, seconds: int) -> list[int]:
    """How far each of 40 steps over so many seconds lies from its time after the first."""
    times = [round(n * (seconds * 1000 - 100) / 39) for n in range(40)]
    steps = tuple(f"{ms}:1{'-' if n % 2 else '+'}" for n, ms in enumerate(times))
    upload_sequence(part.console, Stored(1, seconds * 1000, steps))
    part.console.yes(Arm, 1, EVERY)
    mark = len(part.edges)
    part.console.yes(Fire, 1)
    part.settle(seconds + 0.5)
    cycles = [e.cycle for e in part.edges[mark:] if e.what == "outputs"]
    assert len(cycles) == 40, len(cycles)
    part.console.ask(Disarm(part.console.next_id(), 0))
    return [c - cycles[0] - ms * 1000 * MHZ for c, ms in zip(cycles, times, strict=True)]


def heartbeats(part: Traced, runs: int, set_ms: int) -> list[int]:
    """Last valid request's last bit to outputs off, less the set time."""
    found = []
    for _ in range(runs):
        part.console.yes(Arm, 1, EVERY)
        part.console.yes(Fire, 1)
        mark = len(part.edges)
        part.console.yes(Poll, 1)
        part.look(0.05)
        heard = [e for e in part.edges[mark:] if e.what == "line-feed"][-1]
        off = part.wait("outputs", lambda v: v == 0, mark)
        found.append(off.cycle - heard.cycle - set_ms * 1000 * MHZ)
        part.settle(0.3)
    return found


def on_times(part: Traced, runs: int, limit_ms: int = 300) -> list[int]:
    """How much longer than its limit an output stays on."""
    items = (prop(rest=0), output(1, longest=limit_ms))
    prepare(part.console, items, Stored(1, 2000, ("0:1+", "1900:1-")))
    found = []
    for _ in range(runs):
        part.console.yes(Mend, 1)
        part.console.yes(Arm, 1, EVERY)
        mark = len(part.edges)
        part.console.yes(Fire, 1)
        on = part.wait("outputs", lambda v: v == 1, mark)
        off = part.wait("outputs", lambda v: v == 0, mark)
        found.append(off.cycle - on.cycle - limit_ms * 1000 * MHZ)
        part.settle(0.3)
    return found


def resets(part: Traced) -> tuple[int, int]:
    """Reset in mid-cycle to outputs off, and hung loop to the watchdog's reset."""
    upload_sequence(part.console, EVERYTHING)
    part.console.yes(Arm, 1, EVERY)
    mark = len(part.edges)
    part.console.yes(Fire, 1)
    part.wait("outputs", lambda v: v == 0xFF, mark)
    mark = len(part.edges)
    part.do("reset")
    pulled = part.wait("reset", lambda _: True, mark)
    off = part.wait("outputs", lambda v: v == 0, mark)
    part.look(0.4)
    assert not [e for e in part.edges[mark:] if e.what == "outputs" and e.value]
    mark = len(part.edges)
    part.do("hang")
    hung = part.wait("hang", lambda _: True, mark)
    bitten = part.wait("watchdog", lambda _: True, mark)
    return off.cycle - pulled.cycle, bitten.cycle - hung.cycle


def _line(what: str, cycles: Iterable[int], goal: str) -> None:
    all_cycles = list(cycles)
    worst = max(all_cycles)
    print(
        f"{what:<44} {len(all_cycles):>5} {min(all_cycles):>9} {worst:>9} "
        f"{worst / MHZ:>11.1f} us   {goal}"
    )


def main(runs: int) -> None:
    """Prints the table."""
    print(f"{'figure':<44} {'runs':>5} {'least':>9} {'worst':>9} {'worst':>14}   goal")
    with traced() as part:
        for situation, cycles in stops(part, runs).items():
            _line(f"stop byte to outputs off, {situation}", cycles, "under 300 us")
        _line("sensor edge to first output, less debounce", triggers(part, runs), "under 2 ms")
        _line("step jitter over 60 s", map(abs, jitter(part, 60)), "under 1 ms")
        _line("largest on-time, beyond the limit", on_times(part, runs), "0 to 5 ms")
        deepest = part.deepest
    with traced(heartbeat=500) as part:
        _line("heartbeat loss, beyond the set time", heartbeats(part, runs, 500), "0 to 20 ms")
    with traced() as part:
        off, bitten = resets(part)
        _line("reset in mid-cycle to outputs off", [off], "0")
        _line("hung loop to watchdog reset", [bitten], "under 300 ms")
    print(f"deepest stack {deepest} bytes")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 25)
