"""What a board says of itself, and what a boot means."""

from __future__ import annotations

import signal

import pytest

from drivers.framing import encode
from drivers.messages import (
    PROTOCOL_HASH,
    Arm,
    Boot,
    Fire,
    Hello,
    Identity,
    Poll,
    Stop,
    Yes,
)
from drivers.words import ResetCause
from tests.boards import BoardProcess, Console, Wire
from tests.conformance.stage import BASIC, EVERY, LONG, armed, prepare


def test_the_hello_names_the_board(wire: Wire) -> None:
    """Name, protocol and capacities are those that this definition knows."""
    identity = Console(wire).hello()
    assert identity.board == "bench-1"
    assert identity.protocol == PROTOCOL_HASH
    assert min(identity.props, identity.outputs, identity.inputs, identity.sequences) >= 1
    assert identity.longest_frame >= 48
    assert identity.records == 16
    assert len(identity.checksums) == identity.sequences


def test_a_fresh_board_holds_nothing(wire: Wire) -> None:
    """No setup, no sequence, no stop, no flag before anybody spoke to it."""
    identity = Console(wire).hello()
    assert (identity.setup, identity.stop, identity.flags) == (0, 0, 0)
    assert not any(identity.checksums)


def test_a_board_of_its_own_answers_address_zero_with_its_own(wire: Wire) -> None:
    """Address 00 finds a board whose address nobody knows."""
    wire.send(encode(0, Hello(9).words()))
    heard = wire.quiet(0.3)
    assert [(h.address, h.message.verb) for h in heard] == [(1, "YES")]


def test_another_address_is_dropped_in_silence(wire: Wire) -> None:
    """A board says nothing to what is meant for another."""
    wire.send(encode(2, Hello(9).words()) + encode(2, Stop(10, 0xABC).words()))
    assert wire.quiet(0.3) == []
    assert Console(wire).hello().stop == 0


def test_a_reset_is_a_new_boot(board: BoardProcess, wire: Wire, console: Console) -> None:
    """After the reset pin: BOOT with a new id and its cause, no session, no setup."""
    prepare(console)
    before, mark = console.boot, len(wire.heard)
    board.bench.reset()
    report = console.wait(Boot, since=mark, beat=False)
    assert report.boot != before
    assert report.cause in (ResetCause.BUTTON, ResetCause.UNKNOWN)
    assert console.no(Poll, 0) == "boot"
    identity = console.hello()
    assert identity.boot == report.boot
    assert console.no(Poll, 0) == "session"
    assert identity.setup == 0 or console.no(Arm, 1, EVERY) == "session"


def test_a_boot_is_told_once(board: BoardProcess, wire: Wire) -> None:
    """One BOOT for one reset, not one for every hello or session."""
    board.bench.reset()
    console = Console(wire)
    console.wait(Boot, since=0, beat=False)
    console.open(7)
    assert not [m for m in console.rest(0.8) if isinstance(m, Boot)]


def test_boot_ids_never_come_again(board: BoardProcess, wire: Wire) -> None:
    """Resets, power cuts and killed processes each give an id not seen before."""
    console = Console(wire)
    seen = {console.hello().boot}
    for _ in range(3):
        board.bench.reset()
        wire.quiet(0.1)
        seen.add(console.hello().boot)
        board.bench.cut()
        board.bench.power()
        wire.quiet(0.1)
        seen.add(console.hello().boot)
    assert len(seen) == 7
    wire.close()
    board.end(signal.SIGKILL)
    board.start()
    again = Wire(board.port)
    assert Console(again).hello().boot not in seen
    again.close()


def test_a_reset_switches_everything_off(board: BoardProcess, console: Console) -> None:
    """A board that is reset in mid-cycle comes up with its outputs off and stays so."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    board.bench.reset()
    board.bench.outputs(0, seconds=1)
    mark = board.bench.mark()
    console.wire.quiet(0.5)
    assert board.bench.since(mark) == []


def test_a_board_without_power_says_nothing(board: BoardProcess, console: Console) -> None:
    """Power gone: outputs off, no answer; power back: it answers again."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    board.bench.cut()
    board.bench.wait(lambda p: not p.powered and p.outputs == 0)
    console.wire.quiet(0.1)
    console.wire.send(encode(1, Hello(1).words()))
    assert console.wire.quiet(0.3) == []
    board.bench.power()
    console.wire.quiet(0.1)
    assert console.hello().board == "bench-1"


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_both_line_endings_are_taken(wire: Wire, ending: bytes) -> None:
    """A carriage return before the line feed makes no difference."""
    wire.send(encode(1, Hello(5).words())[:-1] + ending)
    (heard,) = wire.quiet(0.2)
    assert isinstance(heard.message, Yes)
    assert Identity.of(heard.message).board == "bench-1"
