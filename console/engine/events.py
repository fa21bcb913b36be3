"""What can happen to the engine, one frozen dataclass each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from console.ledger.entries import Committed, Failed
from drivers.port import PortInfo


@dataclass(frozen=True, slots=True)
class Tick:
    """Time went by."""


@dataclass(frozen=True, slots=True)
class BytesCame:
    """A line's port gave these bytes."""

    line: str
    data: bytes


@dataclass(frozen=True, slots=True)
class PortOpened:
    """A line has its port."""

    line: str
    device: str


@dataclass(frozen=True, slots=True)
class PortFailed:
    """The port could not be opened. `held` says that somebody else has it."""

    line: str
    device: str
    message: str
    held: bool = False


@dataclass(frozen=True, slots=True)
class PortClosed:
    """An open port is gone: unplugged, or closed as asked."""

    line: str
    message: str


@dataclass(frozen=True, slots=True)
class PortsListed:
    """The serial ports that this machine has now."""

    ports: tuple[PortInfo, ...]


@dataclass(frozen=True, slots=True)
class StopAsked:
    """Somebody stops everything.

    `sent_ms` is how long the stop bytes took to go out, None while they have not; `answer_to` the
    connection that wants to hear of the confirmations, None for nobody.
    """

    source: str
    by: str
    sent_ms: float | None = None
    answer_to: int | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """A client asks for an action and waits for one answer."""

    client: int
    request: int
    action: str
    args: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class ClientCame:
    """A client said who it is."""

    client: int
    kind: str
    name: str


@dataclass(frozen=True, slots=True)
class ClientLeft:
    """A client's connection ended."""

    client: int


@dataclass(frozen=True, slots=True)
class Written:
    """The ledger writer reports."""

    result: Committed | Failed


@dataclass(frozen=True, slots=True)
class LatchSaved:
    """The latch file was written, or could not be: then `trouble` says why."""

    trouble: str = ""


@dataclass(frozen=True, slots=True)
class UpkeepLooked:
    """Somebody looked at the ledger: these props have upkeep due, those are getting slow."""

    due: frozenset[str]
    slowing: frozenset[str]


@dataclass(frozen=True, slots=True)
class Ending:
    """The engine is asked to end in order: everything disarmed, the ledger closed."""

    why: str


Event = (
    Tick
    | BytesCame
    | PortOpened
    | PortFailed
    | PortClosed
    | PortsListed
    | StopAsked
    | Asked
    | ClientCame
    | ClientLeft
    | Written
    | LatchSaved
    | UpkeepLooked
    | Ending
)
