"""What the engine shows and consoles hear: one flat model per entity.

A snapshot holds every entity by key; a patch replaces whole entities. All wall times are
nanoseconds since the epoch in UTC, all ages and durations milliseconds. Strings may come from
files and wires: they are plain text.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class PropState(StrEnum):
    """What a prop is doing. A prop is in exactly one of these."""

    OFFLINE = "offline"  # no word from its controller
    DISARMED = "disarmed"  # answers no trigger
    ARMED = "armed"  # waits for a trigger
    RUNNING = "running"  # a cycle is under way
    RESTING = "resting"  # ignores triggers while it returns and the air recovers
    STOPPED = "stopped"  # all-stop latched
    FAULT = "fault"  # something went wrong; acknowledge it to go on


class PropFlag(StrEnum):
    """What is to be known of a prop beside its state."""

    TAGGED = "tagged"  # a person holds it while working on it
    SERVICE_DUE = "service due"  # a part has reached its interval
    SLOWING = "slowing"  # a motion takes longer than it used to
    LOW_AIR = "low air"  # pressure below what it needs
    NOT_MATCHING = "not matching the site file"  # its controller holds another setup
    HAND_ONLY = "hand only"  # the sensor source is switched off
    AREA = "area not clear"  # the clear-area input says that somebody is there
    BLOCKED = "sensor blocked"  # the sensor must clear before it counts again
    NOT_HOME = "not home"  # a motion is not at its home sensor
    UNCHECKED = "unchecked"  # the opening check has not passed tonight


class Asked(StrEnum):
    """What was asked of a prop and is not yet confirmed by its controller."""

    NOTHING = ""
    ARM = "arming…"
    DISARM = "disarming…"
    FIRE = "firing…"
    TEST = "testing…"
    SWITCH = "switching…"
    TAG = "tagging…"
    UNTAG = "untagging…"
    MEND = "acknowledging…"


class LinkState(StrEnum):
    """How far the engine has come with a controller."""

    ABSENT = "absent"  # its port or its board is not found
    GREETING = "greeting"  # the port is open, the board has not said who it is
    UPLOADING = "uploading"  # setup or sequences are being sent
    DIFFERS = "differs"  # the board holds something else; a night is running, so it is asked first
    LIVE = "live"  # a session is open
    LOST = "lost"  # it was live and is silent


class StopProgress(StrEnum):
    """How far an all-stop has come with one controller."""

    SENT = "sent"  # the stop went out, no answer yet
    CONFIRMED = "confirmed"  # the controller says it is stopped
    NOT_CONFIRMED = "not confirmed"  # no answer in time: close its air by hand
    LEFT_OUT = "left out"  # left out of the clear by name, its air closed by hand


class Priority(StrEnum):
    """How soon an operator must act on an alarm."""

    URGENT = "urgent"  # at once
    SOON = "soon"  # within minutes
    NOTICE = "notice"  # when there is time


@dataclass(frozen=True, slots=True)
class Refusal:
    """One check that does not hold: what is wrong and what to do about it."""

    check: str
    reason: str
    remedy: str
    may_override: bool = False


@dataclass(frozen=True, slots=True)
class SequenceView:
    """One sequence of a prop. `steps` are (at_ms, output name, on)."""

    name: str
    strength: str
    length_ms: int
    steps: tuple[tuple[int, str, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class PointView:
    """One output or input of a prop, live."""

    name: str
    kind: str
    on: bool
    strokes: int | None = None


@dataclass(frozen=True, slots=True)
class CycleView:
    """One of a prop's last cycles."""

    number: int
    sequence: str
    trigger: str
    outcome: str
    started_wall_ns: int
    duration_ms: int
    travels: tuple[tuple[str, str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class PropView:
    """Key `prop/NAME`."""

    name: str
    title: str
    zone: str
    where: str
    controller: str
    order: int
    state: PropState
    flags: tuple[PropFlag, ...] = ()
    asked: Asked = Asked.NOTHING
    sequence: str = ""
    asked_sequence: str = ""
    running_sequence: str = ""
    state_since_wall_ns: int = 0
    cycles_tonight: int = 0
    cycles_life: int = 0
    missed_tonight: int = 0
    last_trigger_wall_ns: int = 0
    last_trigger: str = ""
    link_quality: float = 0.0
    sequences: tuple[SequenceView, ...] = ()
    points: tuple[PointView, ...] = ()
    last_cycles: tuple[CycleView, ...] = ()
    arm_refusals: tuple[Refusal, ...] = ()
    fire_refusals: tuple[Refusal, ...] = ()
    tags: tuple[str, ...] = ()
    overrides: tuple[str, ...] = ()
    """Checks that were overridden tonight, with who did it."""
    fault: str = ""
    now_group: int | None = None
    """The group that it is set for; `now_strength` is what that group gets here, in a word."""
    now_strength: str = ""
    next_group: int | None = None
    next_strength: str = ""
    group_note: str = ""
    """Why the group gets something else than it asked for; empty where it does not."""
    by_hand: bool = False
    """An operator switched it, and groups do not until that is released."""
    outdoor: bool = False


@dataclass(frozen=True, slots=True)
class ZoneView:
    """Key `zone/NAME`."""

    name: str
    title: str
    order: int


@dataclass(frozen=True, slots=True)
class ControllerView:
    """Key `controller/NAME`. `quality` is the share of the last polls answered in time."""

    name: str
    where: str
    line: str
    port: str
    link: LinkState
    board: str = ""
    firmware: str = ""
    quality: float = 0.0
    round_trip_ms: float = 0.0
    damaged_frames: int = 0
    last_heard_wall_ns: int = 0
    supply_mv: int = 0
    pressure_mv: int = 0
    stop_input_open: bool = False
    message: str = ""


@dataclass(frozen=True, slots=True)
class Confirmation:
    """One controller's part in an all-stop. `ms` runs from the stop to its answer."""

    controller: str
    where: str
    progress: StopProgress
    ms: float | None = None


@dataclass(frozen=True, slots=True)
class StopView:
    """Key `stop`. `warnings` say by name what falls shut or holds where the air is gone."""

    latched: bool
    id: int = 0
    source: str = ""
    by: str = ""
    at_wall_ns: int = 0
    sent_ms: float | None = None
    confirmations: tuple[Confirmation, ...] = ()
    warnings: tuple[str, ...] = ()
    clear_refusals: tuple[Refusal, ...] = ()
    strays: tuple[str, ...] = ()
    """Controllers that stay stopped while the site is not latched; `id` is then the first one's."""


@dataclass(frozen=True, slots=True)
class AlarmView:
    """Key `alarm/ID`."""

    id: str
    kind: str
    priority: Priority
    subject: str
    text: str
    remedy: str
    since_wall_ns: int
    count: int = 1
    acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class SiteView:
    """Key `site`. `rearm` lists what was armed before and may be armed again in one action."""

    name: str
    file: str
    demo: bool
    mark: str = ""
    """What every screen says where it is not the real thing: `DEMO`, `REHEARSAL`."""
    night: int | None = None
    night_opened_wall_ns: int = 0
    night_opened_by: str = ""
    engine_started_wall_ns: int = 0
    consoles: int = 0
    ledger_trouble: str = ""
    cycles_boards_can_hold: int | None = None
    paused: bool = False
    rearm: tuple[str, ...] = ()
    rearm_caution: str = ""


@dataclass(frozen=True, slots=True)
class AirPropView:
    """What one prop takes: a run of its default sequence, and all since the engine started."""

    name: str
    title: str
    cycle_scf: float
    taken_scf: float


@dataclass(frozen=True, slots=True)
class AirView:
    """Key `air`; only where the site file has a compressor and a tank.

    `psi` is predicted, and corrected where `measured_psi` is not None. `minutes_left` is None where
    the compressor keeps up. `history` is (seconds since 1970, psi), oldest first.
    """

    psi: float
    sigma_psi: float
    measured_psi: float | None
    compressor_on: bool
    running_min: float
    demand_scfm: float
    leak_scfm: float
    leak_sigma_scfm: float
    strength: float
    need_psi: float
    minutes_left: float | None
    groups_left: float
    cut_in_psi: float
    cut_out_psi: float
    delivers_scfm: float
    tank_gal: float
    findings: tuple[str, ...] = ()
    props: tuple[AirPropView, ...] = ()
    history: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class GroupView:
    """Key `group/NUMBER`: a group that is in the walk.

    `place_percent` is how far it has come; `zone` where that is, with `sure_percent`; `near` are
    all zones that it may well be in.
    """

    number: int
    size: int
    strength: str
    sent_wall_ns: int
    zone: str = ""
    place_percent: int = 0
    sure_percent: int = 100
    near: tuple[str, ...] = ()
    noticed_wall_ns: int = 0
    note: str = ""
    exclude: tuple[str, ...] = ()
    quiet_zones: tuple[str, ...] = ()
    by: str = ""


@dataclass(frozen=True, slots=True)
class HeadwayView:
    """Key `headway`: how soon the next group may go, and how many in an hour.

    `reason` says why not at once, empty where it may; `limit` what sets the shortest headway of
    tonight and `gain` the one change that would gain most. `last_*` is the group sent last,
    `last_number` 0 before the first.
    """

    ready_wall_ns: int
    reason: str = ""
    shortest_ms: int = 0
    groups_per_hour: float = 0.0
    guests_per_hour: float = 0.0
    limit: str = ""
    gain: str = ""
    last_number: int = 0
    last_size: int = 0
    last_strength: str = ""
    last_note: str = ""
    last_exclude: tuple[str, ...] = ()
    last_wall_ns: int = 0


@dataclass(frozen=True, slots=True)
class CrowdView:
    """Key `crowd`: tonight's groups in numbers.

    `walk_ms` is how long each zone takes as learned, in walking order; `per_quarter` groups sent by
    quarter of an hour as (seconds since 1970, groups); `missed` (prop, reason, triggers).
    """

    groups: int = 0
    guests: int = 0
    in_walk: int = 0
    through: int = 0
    average_through_ms: int = 0
    longest_wait_ms: int = 0
    walk_ms: tuple[tuple[str, int], ...] = ()
    per_quarter: tuple[tuple[int, int], ...] = ()
    missed: tuple[tuple[str, str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class CheckView:
    """One item of the opening check. `part` is a zone's name or a part of the walk.

    `how` says who judges it, `said` what is seen of it now where it is not done; `by` is empty for
    what was judged by itself. `ready` is whether a person may say now that it holds.
    """

    subject: str
    item: str
    part: str
    title: str
    how: str
    todo: str = ""
    needed: bool = True
    done: bool = False
    by: str = ""
    at_wall_ns: int = 0
    reading: str = ""
    said: str = ""
    ready: bool = False


@dataclass(frozen=True, slots=True)
class OpeningView:
    """Key `opening`: the opening check in walking order, or what closing up leaves to do.

    `done` and `of` count the needed items; `next` is (subject, item), empty when none is left.
    `unchecked` are props that have not passed, `arming` those that opening up has yet to arm.
    """

    required: bool
    closing: bool = False
    items: tuple[CheckView, ...] = ()
    done: int = 0
    of: int = 0
    next: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()
    shift: tuple[str, ...] = ()
    arming: tuple[str, ...] = ()


Entity = (
    SiteView
    | StopView
    | ZoneView
    | PropView
    | ControllerView
    | AlarmView
    | AirView
    | GroupView
    | HeadwayView
    | CrowdView
    | OpeningView
)

KINDS: dict[str, type[Entity]] = {
    "site": SiteView,
    "stop": StopView,
    "zone": ZoneView,
    "prop": PropView,
    "controller": ControllerView,
    "alarm": AlarmView,
    "air": AirView,
    "group": GroupView,
    "headway": HeadwayView,
    "crowd": CrowdView,
    "opening": OpeningView,
}
"""The entity kinds by the part of the key before the slash."""
