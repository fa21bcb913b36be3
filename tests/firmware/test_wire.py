"""The C side of the wire against the Python side, which is the definition."""

from __future__ import annotations

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.firmware import generate
from drivers.framing import STOP_BYTE, Frame, Framer, StopByte, crc16, encode
from drivers.messages import (
    ANSWERS,
    PROTOCOL_HASH,
    REQUESTS,
    Hello,
    Message,
    No,
    Poll,
    Unknown,
    layout,
)
from tests.firmware.rig import Rig


def test_header_is_what_the_definition_generates() -> None:
    """The checked-in C header is up to date with the messages and words."""
    assert generate.HEADER.read_text() == generate.header(), "run drivers.firmware.generate"


def test_board_carries_the_hash_of_the_definition() -> None:
    """A board says in its hello from which definition it was built."""
    assert Rig().hello().protocol == PROTOCOL_HASH


def test_checksum_is_the_published_one() -> None:
    """CRC-16/IBM-3740 of 123456789 is 29B1 (CRC catalogue), and both sides agree on it."""
    assert crc16(b"123456789") == 0x29B1
    assert isinstance(Rig().ask(Hello), Message)


PIECES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([
        encode(1, ("HELLO", "7")), encode(0, ("HELLO", "8")), encode(2, ("HELLO", "9")),
        encode(1, ("NONSENSE", "3")), encode(1, ("HELLO",)), encode(1, ("HELLO", "7", "8")),
        encode(1, ("HELLO", "5"))[:-1] + b"\r\n", b"~", b"#", b"\n", bytes([STOP_BYTE]),
        encode(1, ("STEPS", "1", "5E21AA07", "00000001", "1", "0", "x" * 140)),
        b"~01 HELLO 7#0000\n", b"~01  HELLO 7#0000\n", b"~01 " + b"A" * 200 + b"\n",
    ]),
)  # fmt: skip


def _cut(data: bytes, seed: int) -> list[bytes]:
    rng = random.Random(seed)
    cuts = sorted(rng.randrange(len(data) + 1) for _ in range(rng.randrange(12)))
    return [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]


@settings(max_examples=300, deadline=None)
@given(st.lists(PIECES, max_size=12), st.integers(0, 1 << 30), st.binary(max_size=3))
@example([b"~", b"\x18"], 0, b"")
def test_framers_agree(pieces: list[bytes], seed: int, damage: bytes) -> None:
    """Whatever comes, in whatever bits, the board answers the very frames that Python finds."""
    stream = bytearray(b"".join(pieces))
    for at, byte in enumerate(damage):
        if stream:
            stream[(seed >> at) % len(stream)] = byte
    rig = Rig()
    rig.run(5)
    for piece in _cut(bytes(stream), seed):
        rig.send(piece)
        rig.run(2)
    rig.run(100)
    found = Framer().feed(bytes(stream))
    frames = [f for f in found if isinstance(f, Frame) and f.address in (0, 1)]
    assert len(rig.of(Message)) - 1 == len(frames), "one answer to each frame, and the boot report"
    assert rig.stray == []
    stopped = any(isinstance(item, StopByte) for item in found)
    stopped = stopped or any(f.words[0] == "STOP" for f in frames)
    assert (rig.hello().stop != 0) is stopped


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_no_words_harm_it(data: st.DataObject) -> None:
    """Any words behind any verb get one answer, and no output goes on."""
    rig = Rig()
    identity = rig.open()
    cls = data.draw(st.sampled_from(REQUESTS))
    number = st.sampled_from(
        ["0", "1", "2", "3", "5", "17", "255", "256", "65535", "65536", "16777216", "4294967295",
         "4294967296", "9999999999", "99999999999", "-1", "+1", "1.5", "x"]
    )  # fmt: skip
    any_word = st.one_of(
        number,
        st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7D, exclude_characters="#"),
                min_size=1, max_size=12),
        st.sampled_from(["sensor", "motion", "light", "cycle", "idle", "low", "high", "off", "keep",
                         "0000", "FFFF", "00000000", "5E21AA07", "350:2+", "1:1-", "0:99+"]),
    )  # fmt: skip
    words = [cls.verb, str(data.draw(st.integers(1, 65535)))]
    shape = layout(cls)[1:]
    if len(shape) >= 2 and shape[0][0] == "session":
        words += ["5E21AA07", f"{identity.boot:08X}"]
        shape = shape[2:]
    words += data.draw(st.lists(any_word, max_size=len(shape) + 1))
    try:
        frame = encode(1, words)
    except ValueError:
        return
    mark = len(rig.heard)
    rig.send(frame)
    rig.run(30)
    assert len([m for m in rig.heard[mark:] if isinstance(m, ANSWERS)]) == 1
    assert rig.board.outputs == 0


def test_unknown_gets_the_id_it_can_read() -> None:
    """An unknown verb or a word too many is answered with the id, or 0 where there is none."""
    rig = Rig()
    rig.open()
    for words, expected in (
        (("DANCE", "9"), 9), (("DANCE",), 0), (("HELLO", "0"), 0), (("HELLO", "65536"), 0),
        (("HELLO", "x"), 0), (("HELLO", "6", "1"), 6), (("POLL", "6"), 6),
    ):  # fmt: skip
        mark = len(rig.heard)
        rig.send(encode(1, words))
        rig.run(5)
        assert rig.of(Unknown, mark) == [Unknown(expected)], words


def test_longest_frame_is_taken_and_a_longer_one_is_not() -> None:
    """A frame of exactly the hello's longest length is answered; one byte more is dropped."""
    for small in (False, True):
        rig = Rig(small=small)
        longest = rig.hello().longest_frame
        rig.run(1000)
        for length, answers in ((longest, 1), (longest + 1, 0)):
            filler = "x" * (length - len(encode(1, ("DANCE", "9", "x"))) + 1)
            body = f"01 DANCE 9 {filler}".encode()
            mark = len(rig.heard)
            rig.send(b"~%b#%04X\n" % (body, crc16(body)))
            rig.run(20)
            assert len(rig.of(Unknown, mark)) == answers


@pytest.mark.parametrize("small", [False, True])
def test_stop_byte_acts_at_every_place_of_a_frame(small: bool) -> None:
    """All-stop is seen before, inside and after a frame; the frame it cuts is never acted on."""
    frame = encode(1, ("HELLO", "9"))
    for at in range(len(frame) + 1):
        rig = Rig(small=small)
        rig.run(5)
        mark = len(rig.heard)
        rig.send(frame[:at] + bytes([STOP_BYTE]) + frame[at:])
        rig.run(20)
        answered = len(rig.heard) - mark
        assert answered == (1 if at in (0, len(frame)) else 0), at
        assert rig.hello().stop != 0


def test_repeat_is_answered_alike_and_not_done_again() -> None:
    """A request with a known id gets the first answer, even where it would be refused by now."""
    rig = Rig()
    rig.open()
    poll = rig.make(Poll, 1)
    first = rig.ask_again(poll)
    rig.run(40)
    assert rig.ask_again(poll) == first


def test_ids_older_than_the_remembered_are_refused() -> None:
    """The last eight guarded requests are remembered; an older id is refused, also past 65535."""
    rig = Rig()
    rig.open()
    rig._next = 65530
    requests = [rig.make(Poll, 1) for _ in range(12)]
    for request in requests:
        rig.ask_again(request)
    assert [r.req for r in requests][4:8] == [65535, 1, 2, 3]
    for request in requests[:4]:
        answer = rig.ask_again(request)
        assert isinstance(answer, No)
        assert answer.reason == "value"
    for request in requests[4:]:
        assert not isinstance(rig.ask_again(request), No)
