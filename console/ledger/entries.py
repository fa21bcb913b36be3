"""What is appended to the ledger: one frozen dataclass for each thing that can happen.

Every wall clock is an integer of nanoseconds since 1970 in UTC. It says when something happened and
never in which order: the order is that of arrival. Boards, props, sequences and motions carry the
names that the site file gave them at the time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Direction(StrEnum):
    """Which way a motion travelled."""

    OUT = "out"  # away from rest
    BACK = "back"  # to rest again


class ServiceKind(StrEnum):
    """What was done to a part."""

    SERVICE = "service"  # cleaned, oiled, adjusted: the same part goes on
    REPLACED = "replaced"  # worn out or broken: a new part took its place
    RENEWED = "renewed"  # still good: a new part took its place as a precaution
    MOVED = "moved"  # it changed places with the part at `other`, and each keeps its life
    READING = "reading"  # something was read off, nothing was done
    VOID = "void"  # what `about` says did not happen


class RunKind(StrEnum):
    """What time is counted of."""

    ARMED = "armed"  # a prop was armed, running or resting
    RUNNING = "running"  # a machine such as the compressor ran


class Travel(NamedTuple):
    """How long one motion took to arrive, measured by its board."""

    motion: str
    direction: str
    ms: int


@dataclass(frozen=True, slots=True)
class NightOpened:
    """A night begins. One that was still open ends at the same moment, marked as left open.

    `date` is the local date (`2026-10-31`) by which people will ask for this night; where it is
    empty, the machine's time zone decides.
    """

    wall_ns: int
    by: str
    date: str = ""


@dataclass(frozen=True, slots=True)
class NightClosed:
    """The open night ends. Without an open night nothing is recorded."""

    wall_ns: int
    by: str


@dataclass(frozen=True, slots=True)
class CycleEntry:
    """One cycle of a prop, known for good by (board, life, prop_index, number).

    `started_wall_ns` is right within `bound_ms`; `boot` and `board_ms` are the board's own reading
    of the same moment. `number` counts from 1. Raises ValueError for a smaller one.
    """

    board: str
    life: int
    prop_index: int
    number: int
    prop: str
    sequence: str
    trigger: str
    started_wall_ns: int
    bound_ms: float
    boot: int
    board_ms: int
    duration_ms: int
    travels: tuple[Travel, ...]
    outcome: str

    def __post_init__(self) -> None:
        if self.number < 1:
            raise ValueError(f"cycles are numbered from 1, not {self.number}")


@dataclass(frozen=True, slots=True)
class MissedTrigger:
    """A trigger that came while the prop could not run.

    A board's report is known by (board, boot, event_number) and stored once. Both are None for what
    the engine itself noticed.
    """

    board: str
    prop: str
    source: str
    reason: str
    wall_ns: int
    boot: int | None = None
    event_number: int | None = None


@dataclass(frozen=True, slots=True)
class EventEntry:
    """Anything else worth keeping: an all-stop, a fault, a reset, a tag, an arming.

    `detail` holds plain JSON values. With (board, boot, event_number) given, the event is stored
    once however often the board repeats it.
    """

    kind: str
    subject: str
    detail: Mapping[str, object]
    wall_ns: int
    by: str = ""
    board: str = ""
    boot: int | None = None
    event_number: int | None = None


@dataclass(frozen=True, slots=True)
class ServiceEntry:
    """Work on a part, by its name in the site file.

    The ledger notes the prop's cycles and the motion's strokes with it, as they stood at `wall_ns`,
    when the work was done. `motion`, and `prop` too, are empty for what belongs to none. `task`
    names the upkeep that was done, empty for all of the part's. `other` is the (prop, motion, part)
    with which a moved part changed places. `about` is the `seq` of an earlier entry that this one
    corrects: it then stands in its place, or as VOID takes it away; both stay on record.
    `recorded_wall_ns` is when it was written down, 0 for at `wall_ns`.
    """

    part: str
    prop: str
    motion: str
    kind: str
    by: str
    note: str
    readings: Mapping[str, object]
    wall_ns: int
    task: str = ""
    other: tuple[str, str, str] | None = None
    about: int | None = None
    recorded_wall_ns: int = 0


@dataclass(frozen=True, slots=True)
class BoardSeen:
    """A board says that `number` is the newest cycle of this prop that it published.

    On first contact everything up to `number` is the baseline. Later, numbers above the highest
    known one become an open gap, which the records close as they are fetched. A `number` below the
    highest known one changes nothing. Raises ValueError for a negative one.
    """

    board: str
    life: int
    prop_index: int
    number: int
    wall_ns: int = 0

    def __post_init__(self) -> None:
        if self.number < 0:
            raise ValueError(f"no board has published {self.number} cycles")


@dataclass(frozen=True, slots=True)
class GapEntry:
    """The cycles `first` to `last`, both included, cannot be fetched, and why.

    Only numbers after first contact that are not stored count. Should one of them turn up after
    all, it is stored and leaves the gap. Raises ValueError unless 1 <= first <= last.
    """

    board: str
    life: int
    prop_index: int
    first: int
    last: int
    reason: str
    wall_ns: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.first <= self.last:
            raise ValueError(f"{self.first} to {self.last} is no gap")


@dataclass(frozen=True, slots=True)
class BootMap:
    """In this boot the board's clock read `board_ms` at `wall_ns`, within `bound_ms`.

    Kept so that a cycle fetched by a later engine can still be dated. The newest one of a boot
    counts.
    """

    board: str
    boot: int
    board_ms: int
    wall_ns: int
    bound_ms: float


@dataclass(frozen=True, slots=True)
class StrokeMeters:
    """The board's own count of strokes of one output, idle and partial strokes included.

    `prop` and `motion` are the names of what hangs on the output, where the site file has them.
    """

    board: str
    life: int
    output: int
    strokes: int
    wall_ns: int
    prop: str = ""
    motion: str = ""


@dataclass(frozen=True, slots=True)
class RunTime:
    """`subject`, a prop or a machine by name, was armed or ran for `ms` more, up to `wall_ns`.

    Raises ValueError for a negative time.
    """

    kind: str
    subject: str
    ms: int
    wall_ns: int

    def __post_init__(self) -> None:
        if self.ms < 0:
            raise ValueError(f"nothing runs for {self.ms} ms")


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the air was like at `wall_ns`: gauge pressure in the tank, temperature outside.

    Either is None where nobody measured it.
    """

    wall_ns: int
    psi: float | None = None
    temp_degf: float | None = None


Entry = (
    NightOpened
    | NightClosed
    | CycleEntry
    | MissedTrigger
    | EventEntry
    | ServiceEntry
    | BoardSeen
    | GapEntry
    | BootMap
    | StrokeMeters
    | RunTime
    | Surroundings
)
"""Anything that can be appended."""

CounterKey = tuple[str, int, int]
"""(board, life, prop_index): whose numbers run in one row."""


@dataclass(frozen=True, slots=True)
class Counter:
    """What is known of one row of cycle numbers; baseline + stored + gaps == highest, always.

    `contact` is the number at first contact and `baseline` how many cycles up to it are not stored.
    `gaps` counts the numbers above `contact` that are not stored.
    """

    highest: int
    baseline: int
    stored: int
    gaps: int
    contact: int


@dataclass(frozen=True, slots=True)
class OpenNight:
    """The night that is open now."""

    night_id: int
    date: str
    opened_wall_ns: int
    by: str


@dataclass(frozen=True, slots=True)
class Appended:
    """What one append did.

    `stored` entries are new and `duplicates` were there already; all of them are durable, so every
    one may be acknowledged. `conflicts` are those duplicates whose content differs from what is
    stored: the first one stays, and an event of kind `conflict` keeps the other. `opened_gaps` are
    the gaps that this append found. `last_seq` is the arrival number of the newest thing stored.
    """

    stored: int
    duplicates: int
    conflicts: int
    opened_gaps: tuple[GapEntry, ...]
    night: OpenNight | None
    last_seq: int


@dataclass(frozen=True, slots=True)
class Committed:
    """These batches are on the disk. `appended` belongs to `batch_ids` one by one."""

    batch_ids: tuple[int, ...]
    appended: tuple[Appended, ...]


@dataclass(frozen=True, slots=True)
class Failed:
    """These batches are not on the disk; the ledger is as it was before them.

    While `kept`, the writer holds them and tries again by itself once a second and with every
    submit; a Committed follows when it succeeds. Otherwise they are given up.
    """

    batch_ids: tuple[int, ...]
    reason: str
    disk_full: bool
    kept: bool


WriterResult = Committed | Failed
