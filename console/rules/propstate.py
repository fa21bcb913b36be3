"""What a prop is shown to be, from its board's last word and the state of its link."""

from __future__ import annotations

from dataclasses import dataclass

from console.views.models import LinkState, PropFlag, PropState
from drivers.words import PropFlags, Sources, State

_STATES = {
    State.DISARMED: PropState.DISARMED,
    State.ARMED: PropState.ARMED,
    State.RUNNING: PropState.RUNNING,
    State.RESTING: PropState.RESTING,
    State.STOPPED: PropState.STOPPED,
    State.FAULT: PropState.FAULT,
}

_FLAGS = (
    (PropFlags.TAGGED, PropFlag.TAGGED),
    (PropFlags.AREA_NOT_CLEAR, PropFlag.AREA),
    (PropFlags.SENSOR_BLOCKED, PropFlag.BLOCKED),
    (PropFlags.NOT_HOME, PropFlag.NOT_HOME),
)


@dataclass(frozen=True, slots=True)
class Word:
    """The last report of a prop. `age_ms` is how long ago it came."""

    state: State
    flags: PropFlags
    sources: Sources
    age_ms: float


def state_of(
    link: LinkState, word: Word | None, heartbeat_ms: float, *, board_stopped: bool = False
) -> PropState:
    """The one state of a prop.

    A word older than the heartbeat says nothing any more: the board may have disarmed itself since.
    A board that says it is stopped has stopped all its props, also those it has not spoken of yet.
    """
    alive = link in (LinkState.LIVE, LinkState.DIFFERS, LinkState.UPLOADING)
    if not alive or word is None or word.age_ms > heartbeat_ms:
        return PropState.OFFLINE
    return PropState.STOPPED if board_stopped else _STATES[word.state]


def flags_of(
    link: LinkState,
    word: Word | None,
    *,
    tagged: bool = False,
    hand_only: bool = False,
    low_air: bool = False,
    service_due: bool = False,
    slowing: bool = False,
    unchecked: bool = False,
) -> tuple[PropFlag, ...]:
    """The flags beside the state, in the order of `PropFlag`."""
    found = set()
    if word is not None:
        found = {shown for flag, shown in _FLAGS if flag in word.flags}
    for holds, flag in (
        (tagged, PropFlag.TAGGED),
        (hand_only, PropFlag.HAND_ONLY),
        (low_air, PropFlag.LOW_AIR),
        (service_due, PropFlag.SERVICE_DUE),
        (slowing, PropFlag.SLOWING),
        (unchecked, PropFlag.UNCHECKED),
        (link is LinkState.DIFFERS, PropFlag.NOT_MATCHING),
    ):
        if holds:
            found.add(flag)
    return tuple(flag for flag in PropFlag if flag in found)
