"""The framer against published checksums, damage of every kind, and any bytes at all."""

from __future__ import annotations

import itertools
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.framing import (
    LONGEST_FRAME,
    STOP_BYTE,
    Damaged,
    DamageKind,
    Frame,
    Framer,
    StopByte,
    crc16,
    encode,
)

WORD_CHARACTERS = "".join(c for c in string.printable if "!" <= c <= "}" and c not in ("#",))
word_lists = st.lists(
    st.text(WORD_CHARACTERS, min_size=1, max_size=12), min_size=1, max_size=12
).map(tuple)
frames = st.builds(Frame, st.integers(0, 255), word_lists)
ARM = encode(1, ("ARM", "17", "5E21AA07", "A3F09C11", "2", "0005"))


def frames_in(received: list[Frame | StopByte | Damaged]) -> list[Frame]:
    return [r for r in received if isinstance(r, Frame)]


def test_crc_has_the_catalogued_check_value() -> None:
    """CRC-16/IBM-3740 of "123456789" is 0x29B1 (catalogue of parametrised CRC algorithms)."""
    assert crc16(b"123456789") == 0x29B1


def test_crc_of_nothing_is_its_start_value() -> None:
    """IBM-3740 starts with 0xFFFF and has no final xor, so no data leaves 0xFFFF."""
    assert crc16(b"") == 0xFFFF


@settings(deadline=None)
@given(st.binary(max_size=64), st.integers(0, 64))
def test_crc_can_be_continued(data: bytes, cut: int) -> None:
    """The CRC of two pieces, continued, is that of the whole."""
    assert crc16(data[cut:], crc16(data[:cut])) == crc16(data)


@settings(deadline=None)
@given(st.binary(max_size=64))
def test_crc_equals_long_division(data: bytes) -> None:
    """The table-driven CRC equals bitwise division by x^16 + x^12 + x^5 + 1."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    assert crc16(data) == register


def test_a_whole_frame_is_read() -> None:
    """A frame comes back as the address and words that made it."""
    assert Framer().feed(ARM) == [Frame(1, ("ARM", "17", "5E21AA07", "A3F09C11", "2", "0005"))]


def test_a_carriage_return_before_the_line_feed_is_allowed() -> None:
    """A terminal that ends lines with both characters can speak to a board."""
    assert frames_in(Framer().feed(ARM[:-1] + b"\r\n"))


@settings(deadline=None)
@given(frames)
def test_any_frame_comes_back_byte_by_byte(frame: Frame) -> None:
    """However slowly bytes come, they make the same frame."""
    framer = Framer()
    received = [
        r for byte in encode(frame.address, frame.words) for r in framer.feed(bytes([byte]))
    ]
    assert received == [frame]


@settings(deadline=None)
@given(st.lists(frames, max_size=5), st.lists(st.integers(0, 400), max_size=6))
def test_any_split_gives_the_same_frames(sent: list[Frame], cuts: list[int]) -> None:
    """Reads end anywhere; what they make together does not depend on it."""
    stream = b"".join(encode(f.address, f.words) for f in sent)
    edges = sorted({min(c, len(stream)) for c in cuts} | {0, len(stream)})
    framer = Framer()
    received = [
        r for start, end in itertools.pairwise(edges) for r in framer.feed(stream[start:end])
    ]
    assert received == sent


@pytest.mark.parametrize("at", range(len(ARM)))
def test_a_stop_byte_anywhere_is_heard_and_drops_the_frame(at: int) -> None:
    """The stop byte acts in mid-frame, and the frame after it is read again."""
    received = Framer().feed(ARM[:at] + bytes([STOP_BYTE]) + ARM[at:] + ARM)
    assert received.count(StopByte()) == 1
    assert frames_in(received) == ([Framer().feed(ARM)[0]] * (2 if at == 0 else 1))


def test_a_stop_byte_after_a_frame_leaves_it_whole() -> None:
    """A frame that had ended before the stop byte was a frame."""
    assert Framer().feed(ARM + bytes([STOP_BYTE]))[-1] == StopByte()


@settings(deadline=None)
@given(st.lists(st.sampled_from([STOP_BYTE, *b"~#A\n"]), max_size=60))
def test_every_stop_byte_counts(data: list[int]) -> None:
    """As many stops come out as went in, among any neighbours."""
    assert Framer().feed(bytes(data)).count(StopByte()) == data.count(STOP_BYTE)


@pytest.mark.parametrize("at", range(len(ARM) - 1))
@pytest.mark.parametrize("bit", range(8))
def test_one_flipped_bit_never_makes_another_frame(at: int, bit: int) -> None:
    """A CRC finds every single-bit error; none turns a frame into a different one."""
    damaged = bytearray(ARM)
    damaged[at] ^= 1 << bit
    received = Framer().feed(bytes(damaged))
    assert all(f == Framer().feed(ARM)[0] for f in frames_in(received))
    if damaged[at] != STOP_BYTE:
        assert not frames_in(received)


@settings(deadline=None)
@given(st.binary(max_size=600))
def test_any_bytes_are_taken(data: bytes) -> None:
    """Nothing on a line makes the framer raise."""
    for item in Framer().feed(data):
        assert isinstance(item, Frame | StopByte | Damaged)


@settings(deadline=None)
@given(st.binary(max_size=300), frames)
def test_a_frame_after_any_noise_is_read(noise: bytes, frame: Frame) -> None:
    """`~` begins a frame whatever came before: one frame is lost at most, the next is read."""
    received = Framer().feed(noise + encode(frame.address, frame.words))
    assert received[-1] == frame


@settings(deadline=None)
@given(st.binary(max_size=2000))
def test_the_framer_holds_no_more_than_a_frame(data: bytes) -> None:
    """Endless garbage must not fill the memory."""
    framer = Framer()
    for start in range(0, len(data), 7):
        framer.feed(data[start : start + 7])
    assert len(framer._noise) <= LONGEST_FRAME
    assert len(framer._frame or b"") <= LONGEST_FRAME


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (ARM[:-2] + b"0\n", DamageKind.CHECKSUM),
        (ARM[:9] + ARM, DamageKind.CUT),
        (b"~" + b"A" * 300, DamageKind.TOO_LONG),
        (b"~\n", DamageKind.MALFORMED),
        (b"~01 #1234\n", DamageKind.MALFORMED),
        (b"~0x ARM#1234\n", DamageKind.MALFORMED),
        (b"~01 ARM\n", DamageKind.MALFORMED),
        (b"~01 ARM#12g4\n", DamageKind.MALFORMED),
        (b"~01 ARM#12a4\n", DamageKind.MALFORMED),
        (b"hello" + ARM, DamageKind.NOISE),
    ],
)
def test_damage_is_named(data: bytes, kind: DamageKind) -> None:
    """What is thrown away says why."""
    assert kind in [r.kind for r in Framer().feed(data) if isinstance(r, Damaged)]


def test_two_spaces_are_no_empty_word() -> None:
    """An empty word is malformed even under a correct checksum."""
    body = b"01 ARM  2"
    received = Framer().feed(b"~%b#%04X\n" % (body, crc16(body)))
    assert [r.kind for r in received if isinstance(r, Damaged)] == [DamageKind.MALFORMED]


def test_a_frame_may_be_as_long_as_the_longest() -> None:
    """200 bytes from `~` to the line feed are a frame, one more is not."""
    fits = encode(1, ("A" * (LONGEST_FRAME - 10),))
    assert len(fits) == LONGEST_FRAME
    assert frames_in(Framer().feed(fits))
    body = b"01 " + b"A" * (LONGEST_FRAME - 9)
    longer = b"~%b#%04X\n" % (body, crc16(body))
    assert not frames_in(Framer().feed(longer))


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (256, ("A",)),
        (-1, ("A",)),
        (1, ()),
        (1, ("",)),
        (1, ("two words",)),
        (1, ("ti~lde",)),
        (1, ("ha#sh",)),
        (1, ("line\n",)),
        (1, ("\x18",)),
        (1, ("grün",)),
        (1, ("A" * 200,)),
    ],
)
def test_what_cannot_travel_is_refused(address: int, words: tuple[str, ...]) -> None:
    """Encoding raises rather than sending something that would not come back."""
    with pytest.raises(ValueError, match=r"."):
        encode(address, words)
