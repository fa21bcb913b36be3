"""What a board is told: checksums as PROTOCOL.md has them, and requests that fit its frames."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.framing import crc16, encode
from drivers.messages import PROTOCOL_HASH, Hex16, Hex32, Identity, SetSteps
from drivers.setup import BoardSetup, InputSetup, OutputSetup, PropSetup, SequenceSetup
from drivers.words import AtStop, BoardFlags, InputKind, Level, OutputKind, SequenceKind

SETUP = BoardSetup(
    heartbeat_ms=1500,
    report_ms=500,
    props=(PropSetup(1, 8000, 1, 0, 2, 20_000, 60_000),),
    outputs=(
        OutputSetup(2, 1, OutputKind.LIGHT, AtStop.KEEP),
        OutputSetup(1, 1, OutputKind.MOTION, AtStop.OFF, 2000, 5, 0, 600),
    ),
    inputs=(InputSetup(1, 1, InputKind.SENSOR, Level.LOW, 40, 30_000, True),),
    sequences=(
        SequenceSetup(
            1, 1, SequenceKind.CYCLE, 900, ((0, 1, True), (350, 2, True), (900, 1, False))
        ),
    ),
)


def identity(setup: int = 0, checksums: tuple[int, ...] = (), longest: int = 96) -> Identity:
    """A board that holds this."""
    return Identity(
        Hex32(1), "B-1", "1.0", PROTOCOL_HASH, 4, 16, 16, 8, 256, longest, 16, Hex32(0),
        BoardFlags(0), Hex16(setup), tuple(Hex16(c) for c in checksums),
    )  # fmt: skip


def test_the_setup_checksum_is_that_of_its_texts_in_upload_order() -> None:
    """Verbs and fields after `boot`, numbers ascending, each text ended by a line feed."""
    texts = (
        "BEGIN 1500 500\n"
        "SETPROP 1 8000 1 0 2 20000 60000\n"
        "SETOUT 1 1 motion off 2000 5 0 600\n"
        "SETOUT 2 1 light keep 0 0 0 0\n"
        "SETIN 1 1 sensor low 40 30000 1\n"
    )
    assert SETUP.checksum == crc16(texts.encode())


def test_a_sequence_checksum_is_that_of_its_words() -> None:
    """Number, prop, kind, length, count of steps, and every step word."""
    text = "1 1 cycle 900 3 0:1+ 350:2+ 900:1-"
    assert SETUP.sequences[0].checksum == crc16(text.encode())


def test_a_board_that_holds_everything_is_sent_nothing() -> None:
    """Equal checksums mean no difference."""
    held = identity(SETUP.checksum, (SETUP.sequences[0].checksum, 0, 0))
    assert not SETUP.differs(held)
    assert SETUP.upload(SETUP.differs(held), 96) == []


def test_an_empty_board_may_be_filled_and_another_setup_only_on_request() -> None:
    """What replaces something is told apart from what fills a blank."""
    assert SETUP.differs(identity()).replaces is False
    assert SETUP.differs(identity(0x1234)).replaces is True
    assert SETUP.differs(identity(SETUP.checksum, (0x1234,))).replaces is True
    assert SETUP.differs(identity(SETUP.checksum, (0,))).replaces is False


def test_only_what_differs_is_sent() -> None:
    """With the setup in place only the missing sequence goes out."""
    verbs = [kind.verb for kind, _ in SETUP.upload(SETUP.differs(identity(SETUP.checksum)), 96)]
    assert verbs == ["SEQ", "STEPS"]


@given(
    st.lists(
        st.tuples(st.integers(0, 600_000), st.integers(1, 16), st.booleans()),
        min_size=1,
        max_size=80,
    ),
    st.sampled_from([64, 80, 96, 120, 200]),
)
def test_steps_are_cut_into_frames_that_fit(
    steps: list[tuple[int, int, bool]], longest: int
) -> None:
    """No request is longer than the board takes, and together they are all steps in order."""
    sequence = SequenceSetup(1, 1, SequenceKind.CYCLE, 600_000, tuple(sorted(steps)))
    setup = BoardSetup(1500, 500, (), (), (), (sequence,))
    found: list[str] = []
    for kind, fields in setup.upload(setup.differs(identity(setup.checksum)), longest):
        request = kind(65535, Hex32(0xFFFFFFFF), Hex32(0xFFFFFFFF), *fields)
        assert len(encode(1, request.words())) <= longest
        if isinstance(request, SetSteps):
            assert request.first == len(found)
            found.extend(request.steps)
    assert tuple(found) == sequence.step_words
