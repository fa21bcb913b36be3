"""The stop keys are found in whatever form and wherever in the stream they come.

Byte forms: xterm's ctlseqs.txt (function keys, modifyOtherKeys, SGR mouse), the kitty keyboard
protocol's page, rxvt's key table, ECMA-48 for CAN.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.stopkeys import KEY_CTRL_X, KEY_F9, Click, StopKey, StopKeys

F9, X = StopKey(KEY_F9), StopKey(KEY_CTRL_X)

STOPS = [
    (b"\x18", X),
    (b"\x1b\x18", X),  # with Alt
    (b"\x1b[20~", F9),
    (b"\x1b\x1b[20~", F9),  # with Alt, rxvt
    *[(b"\x1b[20;%d~" % m, F9) for m in range(2, 17)],
    (b"\x1b[20^", F9),  # rxvt with Ctrl
    (b"\x1b[20$", F9),  # rxvt with Shift
    (b"\x1b[20@", F9),  # rxvt with both
    (b"\x1b[20;1:1~", F9),  # kitty: press
    (b"\x1b[20;1:2~", F9),  # kitty: repeat
    (b"\x1b[20;65~", F9),  # kitty: caps lock on
    (b"\x1b[20;129~", F9),  # kitty: num lock on
    (b"\x1b[120;5u", X),
    (b"\x1b[120;6u", X),  # with Shift
    (b"\x1b[88;6u", X),
    (b"\x1b[120;69u", X),  # caps lock on
    (b"\x1b[120;133u", X),  # num lock on
    (b"\x1b[120;197u", X),  # both
    (b"\x1b[120:88;6u", X),  # shifted alternate
    (b"\x1b[120;5:1u", X),
    (b"\x1b[120;5:2u", X),
    (b"\x1b[120;5;120u", X),  # associated text
    (b"\x1b[1095::120;5u", X),  # Cyrillic che, which lies on the X key
    (b"\x1b[967:935:120;197u", X),  # Greek chi, both locks on
    (b"\x1b[27;5;120~", X),
    (b"\x1b[27;6;88~", X),
    (b"\x1b[27;7;120~", X),  # with Alt
]

QUIET = [
    b"x",
    b"X",
    "éч漢".encode(),
    b"\x1b",
    b"\x1b[",
    b"\x1b[20",
    b"20~",
    b"[20~",
    b"\x1b[2;0~",
    b"\x1b[21~",  # F10
    b"\x1b[19~",  # F8
    b"\x1b[120~",
    b"\x1b[120u",
    b"\x1b[120;1u",
    b"\x1b[120;65u",  # a plain x with caps lock on
    b"\x1b[120;3u",  # Alt+X
    b"\x1b[113::120;5u",  # Ctrl+Q on a Dvorak keyboard, whose Q lies on the X key
    b"\x1b[99;5u",  # Ctrl+C
    b"\x1b[27;5;99~",
    b"\x1b[27;3;120~",  # Alt+X
    b"\x1b[27;5~",
    b"\x1b[120;5:3u",  # release
    b"\x1b[20;1:3~",
    b"\x1b[?20;1$y",  # a terminal's answer about a mode
    b"\x1b[20;1$y",
    b"\x1b[>20~",
    b"\x1b[::;;u",
    b"\x1b[<0;1;2m",  # release of the left button
    b"\x1b[<1;1;2M",  # middle button
    b"\x1b[<32;1;2M",  # drag
    b"\x1b[<64;1;2M",  # wheel
    b"\x1b[M !!",  # old mouse report
    b"\x1b[" + b"2" * 200 + b"0~",
]


@pytest.mark.parametrize(("data", "expected"), STOPS)
def test_every_form_is_a_stop_whole_and_cut_anywhere(data: bytes, expected: StopKey) -> None:
    """Each form stops once, whether it comes whole, in two reads, byte by byte, or in a paste."""
    assert StopKeys().feed(data) == [expected]
    for cut in range(1, len(data)):
        keys = StopKeys()
        assert keys.feed(data[:cut]) + keys.feed(data[cut:]) == [expected]
    keys = StopKeys()
    assert [e for b in data for e in keys.feed(bytes([b]))] == [expected]
    assert StopKeys().feed(b"\x1b[200~some " + data + b"text\x1b[201~") == [expected]


@pytest.mark.parametrize("data", QUIET)
def test_nothing_else_is_a_stop(data: bytes) -> None:
    """Printable keys, other keys, releases, answers of the terminal and junk stop nothing."""
    assert StopKeys().feed(data) == []


@pytest.mark.parametrize("data", QUIET)
@pytest.mark.parametrize("stop", [b"\x18", b"\x1b[20~", b"\x1b[120;5u"])
def test_a_stop_counts_whatever_came_before(data: bytes, stop: bytes) -> None:
    """No beginning of another sequence can swallow a stop key."""
    assert len(StopKeys().feed(data + stop)) == 1


@pytest.mark.parametrize("held", [0, 4, 8, 16, 28])
def test_a_press_of_the_left_button_is_a_click(held: int) -> None:
    """Columns and rows of a report count from 1, a click's from 0; held keys do not matter."""
    assert StopKeys().feed(b"\x1b[<%d;7;24M" % held) == [Click(6, 23)]


_PIECES = st.one_of(
    st.binary(max_size=12),
    st.sampled_from([data for data, _ in STOPS] + QUIET + [b"\x1b[200~", b"\x1b[201~"]),
)


@given(st.lists(_PIECES, max_size=12), st.data())
def test_cuts_change_nothing(pieces: list[bytes], data: st.DataObject) -> None:
    """However a stream is cut into reads, the same presses are found in it."""
    stream = b"".join(pieces)
    whole = StopKeys().feed(stream)
    keys, found, at = StopKeys(), [], 0
    while at < len(stream):
        step = data.draw(st.integers(1, 9))
        found += keys.feed(stream[at : at + step])
        at += step
    assert found == whole


@given(st.lists(_PIECES, max_size=8))
def test_every_can_byte_is_a_stop(pieces: list[bytes]) -> None:
    """As many Ctrl+X bytes as a stream holds, that many stops at least are found in it."""
    stream = b"".join(pieces)
    assert StopKeys().feed(stream).count(X) >= stream.count(b"\x18")


@given(st.text(alphabet=st.characters(exclude_categories=["Cc"])))
def test_text_is_never_a_stop(text: str) -> None:
    """No text that can be typed or pasted, in any script, stops anything."""
    assert StopKeys().feed(text.encode("utf-8", "surrogatepass")) == []
