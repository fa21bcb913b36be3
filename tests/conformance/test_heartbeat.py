"""A console that falls silent: everything that could move is disarmed, and nothing is latched."""

from __future__ import annotations

import time

import pytest

from drivers.framing import encode
from drivers.messages import Arm, Fire, Hello, Hex32, Hold, Poll, PropReport
from drivers.messages import Test as RunTest
from drivers.words import EventKind, Outcome, State
from tests.boards import BoardProcess, Console
from tests.conformance.stage import BASIC, EVERY, LONG, armed, prepare, wait_cycle, wait_event

HEARTBEAT = 400


def test_silence_disarms(board: BoardProcess, console: Console) -> None:
    """After heartbeat_ms: outputs off, disarmed, an event, no stop; it can be armed again."""
    armed(console, BASIC, LONG, heartbeat=HEARTBEAT)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    mark = board.bench.mark()
    before = time.monotonic_ns() // 1000
    console.poll()
    after = time.monotonic_ns() // 1000
    off = board.bench.wait(lambda p: p.outputs == 0, since=mark)
    assert off.at_us - before >= 1000 * HEARTBEAT
    assert off.at_us - after <= 1000 * HEARTBEAT + 150_000
    assert wait_event(console, EventKind.SILENT, since=0).prop == 0
    assert wait_cycle(console, 1).outcome is Outcome.DISARMED
    assert console.prop_report().state is State.DISARMED
    assert console.hello().stop == 0
    console.rest(0.3)
    console.yes(Arm, 1, EVERY)


@pytest.mark.parametrize("what", ["armed", "test", "hold"])
def test_silence_ends_whatever_could_move(board: BoardProcess, console: Console, what: str) -> None:
    """A prop that only waits, a test and a hold end alike."""
    prepare(console, BASIC, LONG, heartbeat=HEARTBEAT)
    if what == "armed":
        console.yes(Arm, 1, EVERY)
    elif what == "test":
        console.yes(RunTest, 1, 1)
    else:
        console.yes(Hold, 1, 1000)
    console.wire.quiet(0.7)
    board.bench.outputs(0, seconds=0.1)
    reports = [m for m in console.heard() if isinstance(m, PropReport)]
    assert reports[-1].state is State.DISARMED
    assert wait_event(console, EventKind.SILENT, since=0)


def test_polling_keeps_it_armed(console: Console) -> None:
    """A heartbeat four times in that time is enough."""
    armed(console, heartbeat=HEARTBEAT)
    end = time.monotonic() + 1.0
    while time.monotonic() < end:
        console.poll()
        console.wire.quiet(HEARTBEAT / 4000)
    reports = [m for m in console.heard() if isinstance(m, PropReport)]
    assert reports[-1].state is State.ARMED


def test_any_guarded_request_is_a_heartbeat(console: Console) -> None:
    """Not only POLL: a refused one of this session counts too."""
    armed(console, heartbeat=HEARTBEAT)
    end = time.monotonic() + 0.8
    while time.monotonic() < end:
        assert console.no(Fire, 99) == "value"
        console.wire.quiet(HEARTBEAT / 4000)
    reports = [m for m in console.heard() if isinstance(m, PropReport)]
    assert reports[-1].state is State.ARMED


def test_strangers_are_no_heartbeat(console: Console) -> None:
    """HELLO, noise, another session's and another boot's requests do not keep it armed."""
    armed(console, heartbeat=HEARTBEAT)
    end = time.monotonic() + 0.8
    while time.monotonic() < end:
        console.wire.send(
            encode(1, Hello(60000).words())
            + encode(1, Poll(60001, Hex32(1), console.boot, 0).words())
            + encode(1, Poll(60002, console.session, Hex32(1), 0).words())
            + b"~01 POLL garbage"
        )
        console.wire.quiet(0.04)
    reports = [m for m in console.heard() if isinstance(m, PropReport)]
    assert reports[-1].state is State.DISARMED


def test_silence_means_nothing_to_a_board_at_rest(console: Console) -> None:
    """With nothing armed, running or held there is no event and the session stays."""
    prepare(console, heartbeat=HEARTBEAT)
    console.wire.quiet(0.8)
    assert not [m for m in console.heard() if m.verb == "EVENT"]
    console.poll()
