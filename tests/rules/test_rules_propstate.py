"""What a prop is shown to be never says more than its board's last word."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from console.rules.propstate import Word, flags_of, state_of
from console.views.models import LinkState, PropFlag, PropState
from drivers.words import PropFlags, Sources, State

words = st.builds(
    Word,
    state=st.sampled_from(State),
    flags=st.builds(PropFlags, st.integers(0, 63)),
    sources=st.builds(Sources, st.integers(0, 7)),
    age_ms=st.floats(0, 5000),
)


@given(st.sampled_from(LinkState), st.one_of(st.none(), words), st.booleans())
def test_armed_is_shown_only_on_a_young_word(
    link: LinkState, word: Word | None, stopped: bool
) -> None:
    """Armed needs an open session, a word younger than the heartbeat, and no stop."""
    shown = state_of(link, word, 1500, board_stopped=stopped)
    if shown is PropState.ARMED:
        assert link in (LinkState.LIVE, LinkState.DIFFERS, LinkState.UPLOADING)
        assert word is not None
        assert word.state is State.ARMED
        assert word.age_ms <= 1500
        assert not stopped


@given(st.sampled_from(LinkState), st.one_of(st.none(), words), st.booleans())
def test_no_word_is_offline(link: LinkState, word: Word | None, stopped: bool) -> None:
    """Without a session or a young word nothing is known."""
    shown = state_of(link, word, 1500, board_stopped=stopped)
    unknown = (
        word is None
        or word.age_ms > 1500
        or link in (LinkState.ABSENT, LinkState.GREETING, LinkState.LOST)
    )
    assert (shown is PropState.OFFLINE) == unknown


def test_flags_come_in_one_order() -> None:
    """Flags of board, site and request stand side by side."""
    word = Word(State.ARMED, PropFlags.TAGGED | PropFlags.NOT_HOME, Sources.OPERATOR, 0)
    assert flags_of(LinkState.DIFFERS, word, hand_only=True, low_air=True) == (
        PropFlag.TAGGED, PropFlag.LOW_AIR, PropFlag.NOT_MATCHING, PropFlag.HAND_ONLY,
        PropFlag.NOT_HOME,
    )  # fmt: skip
