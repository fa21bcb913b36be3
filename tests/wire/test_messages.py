"""The one definition of the messages: round trips, refusals, its hash, and its page."""

from __future__ import annotations

import re
from dataclasses import fields
from enum import IntFlag, StrEnum
from pathlib import Path
from typing import get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import drivers
from drivers import messages
from drivers.framing import LONGEST_FRAME, Frame, Framer, encode
from drivers.messages import (
    ANSWERS,
    REPORTS,
    REQUESTS,
    BadMessage,
    Guarded,
    Hex16,
    Hex32,
    Identity,
    Message,
    Yes,
    parse_from_board,
    parse_to_board,
)
from drivers.words import EventKind, Reason

PAGE = (Path(drivers.__file__).parent / "PROTOCOL.md").read_text(encoding="utf-8")
EVERY = (*REQUESTS, *ANSWERS, *REPORTS)

printable = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7D), min_size=1, max_size=12)
plain_words = printable.filter(lambda word: "#" not in word)


def values_of(kind: object) -> st.SearchStrategy[object]:
    if get_origin(kind) is tuple:
        return st.lists(values_of(get_args(kind)[0]), max_size=3).map(tuple)
    if kind is Hex32:
        return st.integers(0, 0xFFFFFFFF)
    if kind is Hex16:
        return st.integers(0, 0xFFFF)
    if kind is int:
        return st.integers(0, 9_999_999_999)
    if kind is str:
        return plain_words
    assert isinstance(kind, type)
    if issubclass(kind, IntFlag):
        return st.integers(0, sum(kind)).map(kind)
    assert issubclass(kind, StrEnum)
    return st.sampled_from(list(kind))


def messages_of(cls: type[Message]) -> st.SearchStrategy[Message]:
    hints = get_type_hints(cls)
    return st.builds(cls, *(values_of(hints[field.name]) for field in fields(cls)))


any_message = st.sampled_from([*EVERY, Identity]).flatmap(messages_of)


@settings(deadline=None)
@given(any_message)
def test_any_message_comes_back(message: Message) -> None:
    """Words made from a message make the same message again."""
    assert type(message).parse(message.words()) == message


@settings(deadline=None)
@given(any_message.filter(lambda m: not isinstance(m, Identity)))
def test_any_message_survives_the_line(message: Message) -> None:
    """Through a frame and back, unless it is too long for one."""
    try:
        data = encode(1, message.words())
    except ValueError:
        assert len(" ".join(message.words())) > LONGEST_FRAME - 10
        return
    (frame,) = Framer().feed(data)
    assert isinstance(frame, Frame)
    is_request = type(message) in REQUESTS
    assert (parse_to_board if is_request else parse_from_board)(frame.words) == message


@settings(deadline=None)
@given(st.lists(printable, min_size=1, max_size=14).map(tuple))
def test_any_words_are_a_message_or_bad(words: tuple[str, ...]) -> None:
    """Nothing that a frame can hold raises anything but BadMessage."""
    for parse in (parse_to_board, parse_from_board):
        try:
            parse(words)
        except BadMessage:
            continue


@settings(deadline=None)
@given(st.sampled_from(EVERY).flatmap(messages_of), st.data())
def test_a_changed_word_is_the_same_kind_or_bad(message: Message, data: st.DataObject) -> None:
    """With one word replaced there is a message of the same verb, or none."""
    words = list(message.words())
    at = data.draw(st.integers(1, len(words) - 1))
    words[at] = data.draw(printable)
    try:
        parsed = type(message).parse(tuple(words))
    except BadMessage:
        return
    assert parsed.verb == message.verb


@pytest.mark.parametrize(
    "text",
    [
        "ARM",
        "ARM 1",
        "ARM 1 5E21AA07 A3F09C11 2",
        "ARM 1 5E21AA07 A3F09C11 2 0005 6",
        "ARM x 5E21AA07 A3F09C11 2 0005",
        "ARM -1 5E21AA07 A3F09C11 2 0005",
        "ARM +1 5E21AA07 A3F09C11 2 0005",
        "ARM 1_0 5E21AA07 A3F09C11 2 0005",
        "ARM 12345678901 5E21AA07 A3F09C11 2 0005",
        "ARM 1 5E21AA7 A3F09C11 2 0005",
        "ARM 1 5e21aa07 A3F09C11 2 0005",
        "ARM 1 0x21AA07 A3F09C11 2 0005",
        "ARM 1 5E21AA07 A3F09C11 2 5",
        "ARM 1 5E21AA07 A3F09C11 2 +005",
        "ARM 1 5E21AA07 A3F09C11 2 00_5",
        "SETIN 1 5E21AA07 A3F09C11 1 1 mat high 0 0 0",
        "arm 1 5E21AA07 A3F09C11 2 0005",
        "YES 1",
    ],
)
def test_nonsense_to_a_board_is_bad(text: str) -> None:
    """Missing, superfluous and ill-shaped words, and verbs that only boards use."""
    with pytest.raises(BadMessage):
        parse_to_board(tuple(text.split()))


def test_the_example_of_the_page_is_an_arm_request() -> None:
    """The frame that PROTOCOL.md shows is one that the definition reads."""
    found = re.search(r"~01 (.*)#CCCC", PAGE)
    assert found is not None
    message = parse_to_board(tuple(found[1].split()))
    assert message == messages.Arm(
        17, Hex32(0x5E21AA07), Hex32(0xA3F09C11), 2, messages.words.Sources(5)
    )


def test_verbs_are_one_word_for_one_thing() -> None:
    """No verb is used twice, and each is upper-case letters."""
    verbs = [cls.verb for cls in EVERY]
    assert len(set(verbs)) == len(verbs)
    assert all(re.fullmatch("[A-Z]+", verb) for verb in verbs)


def test_reserved_frames_fit_the_smallest_board() -> None:
    """HELLO, OPEN, STOP and DISARM fit in 48 bytes, with the largest values that they can hold."""
    top = Hex32(0xFFFFFFFF)
    requests = (
        messages.Hello(65535),
        messages.Open(65535, top, top, top),
        messages.Stop(65535, top),
        messages.Disarm(65535, 255),
    )
    assert max(len(encode(255, request.words())) for request in requests) <= 48


def test_only_the_four_need_no_session() -> None:
    """Everything but HELLO, OPEN, STOP and DISARM names session and boot."""
    free = {cls.verb for cls in REQUESTS if not issubclass(cls, Guarded)}
    assert free == {"HELLO", "OPEN", "STOP", "DISARM"}


def test_an_identity_comes_out_of_its_answer() -> None:
    """The hello's values are read as an identity, and fewer are refused."""
    given_words = "00000001 ice-1 demo-1 08A1E8B9 4 16 16 8 256 200 16 00000000 0000 ABCD 0001 0002"
    identity = Identity.of(Yes(7, tuple(given_words.split())))
    assert (identity.board, identity.setup, identity.checksums) == ("ice-1", 0xABCD, (1, 2))
    with pytest.raises(BadMessage):
        Identity.of(Yes(7, tuple(given_words.split()[:8])))


def test_the_definition_does_not_depend_on_the_run() -> None:
    """The text behind the hash is the same every time and names every message and word."""
    text = messages.definition()
    assert text == messages.definition()
    for cls in EVERY:
        assert re.search(rf"^{cls.verb}( |$)", text, re.MULTILINE)
    for word_list in messages.word_lists():
        for member in word_list:
            assert f"{member.name}={member.value}" in text


def test_the_hash_is_known() -> None:
    """A change of the wire is deliberate: it changes this value, and every board must follow."""
    assert f"{messages.PROTOCOL_HASH:08X}" == "08A1E8B9"


@pytest.mark.parametrize("cls", EVERY)
def test_the_page_tells_of_every_verb(cls: type[Message]) -> None:
    """PROTOCOL.md mentions each message."""
    assert re.search(rf"`{cls.verb}\b|\b{cls.verb}\b", PAGE)


@pytest.mark.parametrize(
    "cls", [c for c in REQUESTS if c.verb not in ("SETPROP", "SETOUT", "SETIN", "SEQ")]
)
def test_the_page_gives_the_fields_of_every_request(cls: type[Message]) -> None:
    """The table's first column has the verb and the names of its own fields, in order."""
    own = [name for name, _ in messages.layout(cls) if name not in ("req", "session", "boot")]
    if cls.verb == "OPEN":
        own = ["boot", "session", "stop"]
    shown = re.search(rf"`{cls.verb}\b([^`]*)`", PAGE[PAGE.index("| request |") :])
    assert shown is not None
    assert len(shown[1].split()) == len(own)
    for shown_name, name in zip(shown[1].split(), own, strict=True):
        assert shown_name.rstrip(".") in (name, name.removesuffix("s"))


def test_the_page_gives_the_identity_in_order() -> None:
    """The fields of the hello stand in PROTOCOL.md as they stand on the wire."""
    section = PAGE[PAGE.index("### Identity") :]
    found = re.search(r"`(boot board [^`]*)`", section)
    assert found is not None
    shown = found[1].replace("*", "").split()
    assert shown == [name for name, _ in messages.layout(Identity)]


@pytest.mark.parametrize("reason", Reason)
def test_the_page_uses_every_reason(reason: Reason) -> None:
    """Each reason of a refusal or a missed trigger is mentioned."""
    assert f"`{reason}`" in PAGE or f" {reason} " in PAGE


def test_every_event_kind_says_its_detail_and_value() -> None:
    """PROTOCOL.md points to the comments of EventKind: each kind has one."""
    source = Path(messages.words.__file__).read_text(encoding="utf-8")
    for kind in EventKind:
        assert re.search(rf'{kind.name} = "{kind.value}"  # \w', source)
