"""What the core keeps without power: cut at every byte, worn for a million cycles."""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.firmware.library import VirtualBoard
from drivers.framing import encode
from drivers.messages import (
    Ack,
    Arm,
    Boot,
    CycleRecord,
    Disarm,
    EventRecord,
    Fire,
    Hold,
    Poll,
    PropReport,
    Tag,
    Test,
    Untag,
)
from drivers.words import EventKind, Outcome, Trigger
from tests.conformance.stage import BASIC, EVERY, SHORT, TWO, Stored, armed, prepare, prop
from tests.firmware.rig import Rig

QUICK = Stored(1, 40, ("0:1+", "20:1-"))
QUICK_TWO = Stored(2, 40, ("0:3+", "20:3-"), prop=2)
GUARANTEED_WRITES = 100_000
"""Write and erase cycles of each EEPROM cell that the ATmega328P's data sheet gives."""
RECORDS_AT = 246
"""Where the ring of the first prop's records begins on the small part."""
LIFE_AT = 6
"""Where the first prop's life lies there."""
WRITE_US = 3400
"""How long that data sheet says a byte takes."""


def _quick(**options: object) -> Rig:
    rig = Rig(small=True, **options)
    rig.run(300)
    rig.open()
    armed(rig, BASIC, QUICK, heartbeat=60000)
    return rig


def _cycle(rig: Rig) -> None:
    rig.yes(Fire, 1)
    rig.run(500)


def test_layout_fits_the_small_part() -> None:
    """Everything lies within the 1024 bytes of an ATmega328P's EEPROM."""
    assert Rig(small=True).board.nv_bytes <= 1024


def test_boot_is_new_at_every_reset() -> None:
    """A thousand resets give a thousand boot ids, each one more than the last."""
    rig = Rig(small=True)
    boots = [rig.hello().boot]
    for _ in range(1000):
        rig.reset()
        boots.append(rig.hello().boot)
    assert boots == list(range(boots[0], boots[0] + 1001))
    assert [b.boot for b in rig.of(Boot)] == boots
    assert max(rig.board.writes) <= 1 + 1001 // 8 + 1, "the counter goes round a ring"


def test_number_is_published_only_once_durable() -> None:
    """While the record's bytes are being written the number is still the old one."""
    rig = _quick(nv_write_us=WRITE_US)
    rig.yes(Fire, 1)
    while rig.prop().number == 0:
        nv, dead = rig.board.nv, rig.board.written
        rig.run(0.1)
        assert rig.board.written >= dead
    again = Rig(small=True, nv=nv)
    again.open()
    assert [c.number for c in again.of(CycleRecord)] == [1]
    assert again.of(CycleRecord)[0].outcome is Outcome.DONE


def test_a_granted_tag_is_durable() -> None:
    """At 3.4 ms a byte, TAG and UNTAG are answered only when a power cut cannot undo them."""
    rig = Rig(small=True, nv_write_us=WRITE_US)
    rig.run(300)
    rig.open()
    for cls, reason in ((Tag, "tagged"), (Untag, "setup")):
        before = rig.now_us
        rig.yes(cls, 1)
        assert rig.now_us - before >= WRITE_US
        after = Rig(small=True, nv=rig.board.nv)
        after.open()
        assert after.no(Arm, 1, EVERY) == reason


def test_head_is_durable_within_100_ms_even_for_two_props_at_once() -> None:
    """At 3.4 ms a byte, a cut 100 ms after two cycles began still counts both."""
    rig = Rig(small=True, nv_write_us=WRITE_US)
    rig.run(300)
    rig.open()
    long = (Stored(1, 3000, ("0:1+", "20:1-")), Stored(2, 3000, ("0:3+", "20:3-"), prop=2))
    armed(rig, TWO, *long, heartbeat=60000)
    rig.yes(Arm, 2, EVERY)
    rig.tell(Fire, 1)
    rig.tell(Fire, 2)
    rig.run(101)  # they begin with the next tick of the board's clock
    again = Rig(small=True, nv=rig.board.nv)
    again.acknowledging = True
    again.open()
    again.run(1000)
    assert [(c.prop, c.number, c.outcome) for c in again.of(CycleRecord)] == [
        (1, 1, Outcome.POWER), (2, 1, Outcome.POWER),
    ]  # fmt: skip


def test_sixteen_records_are_held_and_the_seventeenth_replaces_the_oldest() -> None:
    """With nobody to acknowledge, the newest 16 stay, over a reset too, whole and in order."""
    rig = _quick()
    for _ in range(21):
        _cycle(rig)
    assert (rig.prop().number, rig.prop().oldest) == (21, 6)
    life = rig.prop().life
    rig.reset()
    rig.open()
    prepare(rig, BASIC, QUICK, heartbeat=60000)
    rig.run(1)
    assert (rig.prop().number, rig.prop().oldest, rig.prop().life) == (21, 6, life)
    mark = len(rig.heard)
    rig.acknowledging = True
    rig.run(2000)
    records = rig.of(CycleRecord, mark)
    assert [c.number for c in records if c.number > 6] == list(range(7, 22))
    assert all((c.outcome, c.trigger) == (Outcome.DONE, Trigger.OPERATOR) for c in records)
    assert all(38 <= c.duration_ms <= 42 for c in records)
    assert rig.prop().oldest == 0


def test_record_is_repeated_until_acknowledged_one_at_a_time() -> None:
    """The oldest comes every 500 ms until an acknowledgement of its own life takes it away."""
    rig = _quick()
    _cycle(rig)
    _cycle(rig)
    mark = len(rig.heard)
    rig.run(2600)
    first = rig.of(CycleRecord, mark)
    assert {c.number for c in first} == {1}
    assert 5 <= len(first) <= 6
    life = first[0].life
    rig.yes(Ack, life ^ 1, 1, 1)
    rig.yes(Ack, life, 1, 17)
    rig.yes(Ack, life, 2, 1)
    mark = len(rig.heard)
    rig.run(600)
    assert {c.number for c in rig.of(CycleRecord, mark)} == {1}
    rig.yes(Ack, life, 1, 1)
    mark = len(rig.heard)
    rig.run(600)
    assert {c.number for c in rig.of(CycleRecord, mark)} == {2}


def test_ring_goes_round_far_beyond_the_width_of_its_slots() -> None:
    """Numbers go on by one over many rounds and resets, records fetched or not."""
    rig = _quick()
    seen: set[int] = set()
    for round_ in range(60):
        rig.acknowledging = round_ % 3 != 0
        for _ in range(7):
            _cycle(rig)
        rig.acknowledging = True
        rig.run(1500)
        seen |= {c.number for c in rig.of(CycleRecord)}
        rig.heard.clear()
        rig.reset()
        rig.open()
        armed(rig, BASIC, QUICK, heartbeat=60000)
    assert seen == set(range(1, 421))


@dataclass
class Believed:
    """What a console knows of one prop from what the board said."""

    number: int = 0
    records: dict[int, CycleRecord] = field(default_factory=dict)

    def hear(self, rig: Rig) -> None:
        """Takes what was heard; a number never goes back, a record never changes."""
        for message in rig.heard:
            if isinstance(message, PropReport) and message.prop == 1:
                assert message.number >= self.number, "the number went back"
                self.number = message.number
            elif isinstance(message, CycleRecord):
                known = self.records.setdefault(message.number, message)
                assert known == message, "a published record changed"
        rig.heard.clear()


def _run_with_cut(nv: bytes, cut: int, torn: int, believed: Believed) -> tuple[bytes, bool]:
    rig = Rig(small=True, nv=nv, seed=cut + 1)
    rig.board.cut_after(cut, torn)
    rig.acknowledging = cut % 2 == 0
    try:
        rig.open()
        armed(rig, BASIC, QUICK, heartbeat=60000)
        for _ in range(3):
            _cycle(rig)
        rig.yes(Disarm, 1)
        rig.run(200)
    except AssertionError:
        assert rig.board.dead
    believed.hear(rig)
    return rig.board.nv, rig.board.dead


@pytest.mark.parametrize("torn", [0x00, 0xFF, 0x5A])
def test_power_cut_at_every_byte_loses_nothing_published(torn: int) -> None:
    """A run is cut at each of its writes in turn, the byte torn; the number never goes back."""
    start = Rig(small=True).board.nv
    believed = Believed()
    start, dead = _run_with_cut(start, 0, torn, believed)
    assert not dead
    before = believed.number
    for cut in range(1, 1000):
        mine = Believed(before, {})
        after, dead = _run_with_cut(start, cut, torn, mine)
        rig = Rig(small=True, nv=after, seed=cut)
        rig.open()
        rig.acknowledging = True
        prepare(rig, BASIC, QUICK, heartbeat=60000)
        rig.run(2000)
        mine.hear(rig)
        assert mine.number == max(mine.records, default=before)
        assert set(range(before + 1, mine.number + 1)) <= set(mine.records), "records are complete"
        cut_short = [n for n, r in mine.records.items() if r.outcome is Outcome.POWER]
        assert set(cut_short) <= {max(mine.records, default=0)}
        if not dead:
            break
    assert 60 < cut < 999, "the run was cut at each of its bytes"


@pytest.mark.parametrize("torn", [0x00, 0xFF])
def test_power_cut_during_the_first_format(torn: int) -> None:
    """A part that loses power in its very first milliseconds still formats, and boots anew."""
    for cut in range(1, 60):
        rig = Rig(small=True, nv=_blank_cut(cut, torn))
        identity = rig.hello()
        rig.reset()
        assert rig.hello().boot == identity.boot + 1
        rig.open()
        armed(rig, BASIC, QUICK, heartbeat=60000)
        _cycle(rig)
        assert rig.prop().number == 1


def _blank_cut(cut: int, torn: int) -> bytes:
    board = VirtualBoard("rig-1", small=True, seed=cut)
    board.cut_after(cut, torn)
    board.start(0)
    board.skip(0, 1_000_000)
    return board.nv


@settings(max_examples=150, deadline=None)
@given(
    st.binary(max_size=1024),
    st.lists(st.tuples(st.integers(0, 1023), st.integers(0, 255)), max_size=8),
)
def test_any_stored_bytes_are_survived(noise: bytes, damage: list[tuple[int, int]]) -> None:
    """Whatever lies in memory, the board boots, answers, and can count a cycle."""
    worn = _worn()
    for memory in (noise, _with(worn, damage)):
        rig = Rig(small=True, nv=memory)
        rig.acknowledging = True
        rig.open()
        assert rig.board.outputs == 0
        prepare(rig, BASIC, SHORT, heartbeat=60000)
        rig.run(6000)
        number = rig.prop().number
        if not rig.prop().flags & 1:
            rig.yes(Arm, 1, EVERY)
            _cycle(rig)
            assert rig.prop().number == number + 1


def _worn() -> bytes:
    if not _WORN:
        rig = _quick()
        for _ in range(20):
            _cycle(rig)
        _WORN.append(rig.board.nv)
    return _WORN[0]


_WORN: list[bytes] = []


def _with(memory: bytes, damage: list[tuple[int, int]]) -> bytes:
    out = bytearray(memory)
    for at, byte in damage:
        if at < len(out):
            out[at] = byte
    return bytes(out)


def test_damaged_record_is_said_and_the_others_survive() -> None:
    """One rotten cell costs one record and makes one event; the rest is sent."""
    worn = bytearray(_worn())
    at = RECORDS_AT + 10 * 24
    assert worn[at : at + 3] == bytes([10, 0, 0])
    worn[at + 4] ^= 0x40
    rig = Rig(small=True, nv=bytes(worn))
    rig.acknowledging = True
    rig.open()
    rig.run(3000)
    assert [c.number for c in rig.of(CycleRecord)] == [n for n in range(5, 21) if n != 10]
    events = {(e.kind, e.prop, e.value) for e in rig.of(EventRecord)}
    assert events == {(EventKind.MEMORY, 1, 10)}


def _resealed(memory: bytes, slot: int, place: int, byte: int) -> bytes:
    """A byte of a record of prop 1 changed, and its checksums made to fit again."""
    out = bytearray(memory)
    at = RECORDS_AT + slot * 24
    out[at + place] = byte
    life = bytes(out[LIFE_AT : LIFE_AT + 4])[::-1]
    head = crc_hqx(life + b"\0" + out[at : at + 11], 0xFFFF)
    out[at + 11 : at + 13] = head.to_bytes(2)
    tail = crc_hqx(bytes([out[at]]) + out[at + 13 : at + 22], ~head & 0xFFFF)
    out[at + 22 : at + 24] = tail.to_bytes(2)
    return bytes(out)


def test_a_whole_record_with_words_that_are_none() -> None:
    """No outcome of that number: a cycle that was cut; no such trigger: a damaged record."""
    for place, byte, outcome in ((15, 0xE0, Outcome.POWER), (9, 0x81, None)):
        rig = Rig(small=True, nv=_resealed(_worn(), 10, place, byte))
        rig.acknowledging = True
        rig.open()
        rig.run(3000)
        told = {c.number: c.outcome for c in rig.of(CycleRecord)}
        assert told.pop(10, None) == outcome
        assert set(told) == set(range(5, 21)) - {10}
        assert [e.value for e in rig.of(EventRecord)] == ([] if outcome else [10])
        assert not rig.stray


def test_strokes_of_every_kind_count_and_are_durable() -> None:
    """Cycles, tests and holds count; at a disarm the totals are written; within two minutes too."""
    rig = _quick()
    for _ in range(5):
        _cycle(rig)
    rig.yes(Disarm, 1)
    rig.run(500)
    rig.yes(Test, 1, 1)
    rig.run(500)
    rig.yes(Hold, 2, 100)
    rig.run(300)
    assert rig.strokes()[:2] == [6, 1]
    rig.reset()
    rig.open()
    assert rig.strokes()[:2] == [6, 1], "a disarm and the ends of a test and a hold are durable"
    armed(rig, BASIC, QUICK, heartbeat=60000)
    _cycle(rig)
    rig.live(50_000, 30_000)
    nv = rig.board.nv
    rig.live(70_000, 30_000)
    for memory, strokes in ((nv, 6), (rig.board.nv, 7)):
        after = Rig(small=True, nv=memory)
        after.open()
        assert after.strokes()[0] == strokes


def test_stroke_totals_survive_a_cut_at_every_byte_of_their_write() -> None:
    """A torn slot leaves the totals before it; nothing ever counts backwards."""
    rig = _quick()
    _cycle(rig)
    rig.yes(Disarm, 1)
    rig.run(200)
    start = rig.board.nv
    for cut in range(1, 200):
        rig = Rig(small=True, nv=start)
        rig.open()
        armed(rig, BASIC, QUICK, heartbeat=60000)
        _cycle(rig)
        rig.board.cut_after(cut, 0x33)
        try:
            rig.yes(Disarm, 1)
            rig.run(200)
        except AssertionError:
            assert rig.board.dead
        after = Rig(small=True, nv=rig.board.nv)
        after.open()
        assert after.strokes()[0] in (1, 2)
        if not rig.board.dead:
            assert after.strokes()[0] == 2
            break
    assert cut > 30


def test_strokes_during_their_own_write_are_counted_once() -> None:
    """Outputs that go on while the totals are being written are in these or in the next, once."""
    rig = _quick(nv_write_us=WRITE_US)
    rig.acknowledging = True
    strokes = [0, 0]
    before = 0
    for number in range(260):
        rig.tell(Fire, 1)
        rig.run(37 + number * 7 % 400)
        for change in rig.changes():
            strokes[0] += change.outputs & ~before & 1
            before = change.outputs
        if number % 20 == 0:
            assert rig.strokes()[:2] == strokes
    rig.run(200_000)
    assert rig.strokes()[:2] == strokes
    rig.reset()
    rig.run(300)
    rig.open()
    assert rig.strokes()[:2] == strokes
    assert strokes[0] > 110, "more than make a write of themselves"


def test_a_million_cycles_of_each_prop_wear_no_cell_out() -> None:
    """No cell is written more often than the part's data sheet guarantees: 100,000 times."""
    rig = Rig(small=True)
    rig.open()
    items = (prop(rest=0), prop(2, rest=0, sequence=2), *TWO[2:])
    armed(rig, items, QUICK, QUICK_TWO, heartbeat=60000)
    rig.yes(Arm, 2, EVERY)
    board, cycles = rig.board, 1_000_000
    at = rig.now_us
    session = (f"{0x5E21AA07:08X}", f"{rig.boot:08X}")
    for number in range(cycles):
        request = 100 + number * 2
        a, b = request % 65535 + 1, (request + 1) % 65535 + 1
        board.step(at, encode(1, ("FIRE", str(a), *session, "1")))
        board.step(at, encode(1, ("FIRE", str(b), *session, "2")))
        board.skip(at, at + 45_000)
        at += 46_000
    rig.now_us = at
    rig.run(1000)
    rig.yes(Poll, 1)
    assert rig.prop(1).number == cycles
    assert rig.prop(2).number == cycles
    assert max(board.writes) <= GUARANTEED_WRITES
    assert rig.strokes()[0] == cycles
