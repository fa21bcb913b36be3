"""What the core wants done, one frozen dataclass each. The reactor carries them out in order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from console.ledger.entries import Entry


@dataclass(frozen=True, slots=True)
class StopLines:
    """Throw away all output and send the stop byte on every open line. Always comes first."""


@dataclass(frozen=True, slots=True)
class Send:
    """Write these bytes to a line's port."""

    line: str
    data: bytes


@dataclass(frozen=True, slots=True)
class OpenPort:
    """Open this device for a line."""

    line: str
    device: str
    baud: int


@dataclass(frozen=True, slots=True)
class ClosePort:
    """Close a line's port."""

    line: str


@dataclass(frozen=True, slots=True)
class ListPorts:
    """Look which serial ports there are."""


@dataclass(frozen=True, slots=True)
class SaveLatch:
    """Put this on the disk in place of the last one."""

    record: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Append:
    """Write these entries to the ledger."""

    batch: int
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Remember:
    """Keep this for the next engine of the site: what was armed, chosen, hand only."""

    record: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Answer:
    """The one answer to a client's request, or to a connection on the stop socket."""

    client: int
    body: Mapping[str, object]
    on_stop_socket: bool = False


@dataclass(frozen=True, slots=True)
class End:
    """Nothing is left to do: close everything and leave."""

    why: str


Effect = (
    StopLines
    | Send
    | OpenPort
    | ClosePort
    | ListPorts
    | SaveLatch
    | Append
    | Remember
    | Answer
    | End
)
