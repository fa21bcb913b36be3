"""Whatever a line or a memory holds, a board keeps its outputs, its wits and its numbers."""

from __future__ import annotations

import random
import signal
from pathlib import Path

import pytest

from drivers.framing import STOP_BYTE, crc16, encode
from drivers.messages import Arm, Fire, Hello, PropReport
from drivers.words import State
from tests.boards import KINDS, BoardProcess, Console, Wire, running, until
from tests.conformance.stage import BASIC, EVERY, LONG, armed, prepare, wait_cycle


def test_random_bytes_do_nothing(board: BoardProcess, console: Console) -> None:
    """32 KB of noise without the stop byte: nothing moves, nothing latches, the board answers."""
    armed(console)
    mark = board.bench.mark()
    rng = random.Random(1)
    for _ in range(64):
        noise = bytes(b for b in rng.randbytes(512) if b != STOP_BYTE)
        console.wire.send(noise)
        console.poll()
    assert console.prop_report().state is State.ARMED
    assert board.bench.since(mark) == []
    assert console.hello().stop == 0


def test_damaged_commands_do_nothing(board: BoardProcess, console: Console) -> None:
    """A fire with any one byte changed, lost or doubled fires nothing and is not answered YES."""
    armed(console)
    mark = board.bench.mark()
    rng = random.Random(2)
    frame = encode(1, console.make(Fire, 1).words())
    at = len(console.wire.heard)
    for place in range(len(frame) - 1):
        other = rng.choice([b for b in range(256) if b not in (frame[place], STOP_BYTE)])
        changed = frame[:place] + bytes([other]) + frame[place + 1 :]
        lost = frame[:place] + frame[place + 1 :]
        doubled = frame[:place] + frame[place : place + 1] + frame[place:]
        for damaged in (changed, lost, *([doubled] if place else [])):
            console.wire.send(damaged + b"\n")
    console.wire.quiet(0.3)
    assert board.bench.since(mark) == []
    assert "YES" not in [m.verb for m in console.heard(at)]
    console.yes(Fire, 1)


def test_a_wrong_checksum_is_silence(wire: Wire) -> None:
    """No answer to a frame whose CRC does not match, nor to a lower-case one."""
    good = encode(1, Hello(3).words())
    wire.send(good[:-2] + (b"0" if good[-2:-1] != b"0" else b"1") + b"\n")
    body = b"01 HELLO 3"
    wire.send(
        b"~%b#%04x\n" % (body, crc16(body)) if f"{crc16(body):04x}" != f"{crc16(body):04X}" else b""
    )
    assert wire.quiet(0.2) == []


def test_a_frame_too_long_is_silence(wire: Wire) -> None:
    """Longer than any board takes: dropped, and the next frame is read."""
    body = b"01 HELLO " + b"7" * 500
    wire.send(b"~%b#%04X\n" % (body, crc16(body)))
    assert wire.quiet(0.2) == []
    assert Console(wire).hello().board == "bench-1"


def test_a_start_character_resynchronises(wire: Wire) -> None:
    """Half a frame, and at once a whole one: the whole one is answered."""
    whole = encode(1, Hello(3).words())
    wire.send(encode(1, Hello(2).words())[:9] + whole)
    (heard,) = wire.quiet(0.2)
    assert heard.message.req == 3


def test_frames_come_in_pieces(wire: Wire) -> None:
    """Byte by byte with pauses is as good as at once."""
    for byte in encode(1, Hello(4).words()):
        wire.send(bytes([byte]))
        wire.quiet(0.002)
    wire.quiet(0.2)
    assert wire.heard[-1].message.verb == "YES"


def test_many_requests_at_once(wire: Wire) -> None:
    """A burst is answered in order, each once; at most 128 bytes of requests are unanswered."""
    for request in range(1, 21):
        wire.send(encode(1, Hello(request).words()))
        until(lambda at=request: wire.look(0.005) or len(wire.heard) > at - 5, 2, "an answer")
    wire.quiet(0.4)
    answered = [h.message.req for h in wire.heard]
    assert answered == list(range(1, 21))


def test_a_reader_that_sleeps_gets_whole_frames(board: BoardProcess, console: Console) -> None:
    """While nobody reads a stop still acts; afterwards the board is understood again."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    for _ in range(200):
        console.wire.send(encode(1, Hello(9).words()))
    console.wire.stop_byte()
    board.bench.outputs(0, seconds=1)
    console.wire.quiet(0.3)
    assert console.hello().stop != 0


@pytest.mark.parametrize("damage", ["empty", "short", "noise", "ones"])
def test_a_ruined_memory_is_formatted(kind: str, folder: Path, damage: str) -> None:
    """A memory that makes no sense is no reason not to come up, off and disarmed."""
    process = BoardProcess(KINDS[kind](), folder)
    memory = process.memory("bench-1")
    with running(process):
        pass
    size = memory.stat().st_size
    rng = random.Random(3)
    memory.write_bytes(
        {"empty": b"", "short": b"\x01", "noise": rng.randbytes(size), "ones": b"\xff" * size}[
            damage
        ]
    )
    with running(process):
        wire = Wire(process.port)
        console = Console(wire)
        console.open(1)
        prepare(console)
        assert console.prop_report().state is State.DISARMED
        console.yes(Arm, 1, EVERY)
        console.yes(Fire, 1)
        assert wait_cycle(console, 1).number == 1
        wire.close()


def test_single_damaged_bytes_lose_no_count(kind: str, folder: Path) -> None:
    """Any one byte of the memory changed: the board comes up, and gives no number twice."""
    process = BoardProcess(KINDS[kind](), folder)
    with running(process):
        wire = Wire(process.port)
        console = Console(wire)
        console.open(1)
        armed(console)
        console.yes(Fire, 1)
        record = wait_cycle(console, 1)
        wire.close()
    memory = process.memory("bench-1")
    good = memory.read_bytes()
    used = [at for at, byte in enumerate(good) if byte not in (0, 0xFF)]
    rng = random.Random(4)
    for at in rng.sample(used, 4):
        bad = bytearray(good)
        bad[at] ^= 0x41
        memory.write_bytes(bytes(bad))
        with running(process):
            wire = Wire(process.port)
            console = Console(wire)
            console.open(2)
            prepare(console)
            report = console.wait(PropReport, since=0)
            assert report.life != record.life or report.number >= 1
            wire.close()
            process.end(signal.SIGKILL)
