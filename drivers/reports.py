"""What a session tells its owner: how far it is, what the board said, how requests ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from drivers.messages import BoardReport, Boot, CycleRecord, EventRecord, Identity, PropReport
from drivers.words import Reason


class Phase(StrEnum):
    """How far a session has come."""

    GREETING = "greeting"  # the board has not said who it is
    OPENING = "opening"  # it has; the session is being opened
    UPLOADING = "uploading"  # the session is open, setup or sequences are being sent
    DIFFERS = "differs"  # the session is open, the board holds something else, nobody said to send
    LIVE = "live"  # the session is open and the board holds what it should

    @property
    def is_open(self) -> bool:
        """Whether the board heeds this session."""
        return self in _OPEN


_OPEN = (Phase.LIVE, Phase.UPLOADING, Phase.DIFFERS)


@dataclass(frozen=True, slots=True)
class PhaseChanged:
    """The session is in another phase. `message` says why, where it went backwards."""

    phase: Phase
    message: str = ""


@dataclass(frozen=True, slots=True)
class Opened:
    """The board took the session: it is disarmed, and latched where `stop` is not 0."""

    identity: Identity
    stop: int


@dataclass(frozen=True, slots=True)
class Stranger:
    """Another board than the expected one answered."""

    identity: Identity


@dataclass(frozen=True, slots=True)
class Foreign:
    """The board speaks another protocol than this program."""

    identity: Identity


@dataclass(frozen=True, slots=True)
class StopAnswered:
    """The board said in a frame that it is stopped, under this id."""

    stop: int


@dataclass(frozen=True, slots=True)
class UploadFailed:
    """The board refused part of what was sent."""

    message: str


Spoken = Boot | BoardReport | PropReport | CycleRecord | EventRecord


@dataclass(frozen=True, slots=True)
class Heard:
    """The board reports something on its own account."""

    message: Spoken


class Ending(StrEnum):
    """How a request ended."""

    DONE = "done"  # the board accepted it
    REFUSED = "refused"  # the board refused it, with a reason
    UNSUPPORTED = "unsupported"  # the board does not know it
    NO_ANSWER = "no answer"  # it went out and nobody knows what became of it
    CANCELLED = "cancelled"  # it never went out


@dataclass(frozen=True, slots=True)
class Reply:
    """The one end of a request. `ref` is what it was asked under."""

    ref: object
    ending: Ending
    reason: Reason | None = None
    values: tuple[str, ...] = ()


SessionReport = (
    PhaseChanged | Opened | Stranger | Foreign | StopAnswered | UploadFailed | Heard | Reply
)
