"""Everything the core knows, in one place, and the few verbs that every part of it uses.

No part of the core reads a clock or does input or output: `now` is set before each event, and what
is to be done is put on the list of effects.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random

from console.engine.clock import Now
from console.engine.effects import Effect
from console.engine.groupbook import Past
from console.engine.pauses import STAYS_QUIET
from console.ledger.entries import BootMap, Counter, CounterKey, OpenNight
from console.rules.airpermit import LowAir
from console.rules.alarms import Alarms, Kind
from console.rules.latch import Latch
from console.rules.opening import Kept
from console.rules.permits import Facts
from console.rules.propstate import Word, state_of
from console.rules.tags import Tags
from console.site.models import Controller, Prop, Site, TriggerSource
from console.views.models import Asked, CycleView, LinkState, PropState
from drivers.messages import BoardReport, PropReport
from drivers.session import Session
from drivers.words import BoardFlags, PropFlags, Sources

LAST_CYCLES = 12


@dataclass(frozen=True, slots=True)
class Memory:
    """What an engine knows when it starts: from the ledger, the latch file, the last engine."""

    latch: Latch = field(default_factory=Latch)
    night: OpenNight | None = None
    counters: Mapping[CounterKey, Counter] = field(default_factory=dict)
    boot_maps: Mapping[tuple[str, int], BootMap] = field(default_factory=dict)
    tonight: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """Cycles and missed triggers of the open night, by prop."""
    show: Mapping[str, object] = field(default_factory=dict)
    """What `Remember` kept."""
    tags: tuple[Tags, frozenset[str]] = (Tags(), frozenset())
    """The tags that stand, and every prop that ever had one."""
    overrides: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """The overrides of the open night: who, by prop and check."""
    opening: Kept = field(default_factory=Kept)
    """The open night's opening check."""
    past: Past = field(default_factory=Past)
    """What the ledger knows of groups."""
    last_cycles: Mapping[str, tuple[CycleView, ...]] = field(default_factory=dict)
    """The newest cycles of each prop, newest first."""


@dataclass(slots=True)
class ControllerNow:
    """One controller as it is now."""

    controller: Controller
    session: Session
    link: LinkState = LinkState.ABSENT
    message: str = ""
    report: BoardReport | None = None
    was_live: bool = False
    lost_ms: float | None = 0.0
    """Since when it is not live; None while it is."""
    boot_cause: str = ""
    stopped: bool = False
    """Whether its last word says that a stop is latched on it."""
    stray_stop: int = 0
    upload_asked: bool = False

    @property
    def name(self) -> str:
        """Its name in the site file."""
        return self.controller.name

    @property
    def heard_of(self) -> bool:
        """Whether a session is open."""
        return self.session.phase.is_open

    @property
    def stop_input_open(self) -> bool:
        """Whether its last word says that its hardwired stop is open."""
        return self.report is not None and BoardFlags.STOP_INPUT_OPEN in self.report.flags


@dataclass(slots=True)
class PropNow:
    """One prop as it is now."""

    prop: Prop
    order: int
    report: PropReport | None = None
    reported_ms: float = 0.0
    shown: PropState = PropState.OFFLINE
    since_wall_ns: int = 0
    asked: Asked = Asked.NOTHING
    wanted: int = 0
    """The sequence number that was chosen; the default one at first."""
    hand_only: bool = False
    by_hand: bool = False
    """Whether an operator switched it; groups leave it alone until that is released."""
    pause: int = 0
    """The number of the sequence that does nothing, 0 where its board has none."""
    cycles_tonight: int = 0
    missed_tonight: int = 0
    last_trigger: str = ""
    last_trigger_wall_ns: int = 0
    last_cycles: deque[CycleView] = field(default_factory=lambda: deque(maxlen=LAST_CYCLES))
    strokes: dict[int, int] = field(default_factory=dict)
    fault: str = ""
    service_due: bool = False
    slowing: bool = False
    low_air: LowAir = field(init=False)

    def __post_init__(self) -> None:
        self.low_air = LowAir(self.prop.min_air_psi)

    @property
    def name(self) -> str:
        """Its name in the site file."""
        return self.prop.name

    @property
    def has_sensor(self) -> bool:
        """Whether guests trip it."""
        return self.prop.trigger(TriggerSource.SENSOR) is not None

    def sequence_name(self, number: int) -> str:
        """The name of one of its sequences by number; empty for none of them."""
        if self.pause and number == self.pause:
            return STAYS_QUIET
        return next((s.name for s in self.prop.sequences if s.number == number), "")

    @property
    def is_hand_only(self) -> bool:
        """Whether its sensor is ignored: what its board says while armed, else what was asked."""
        if not self.has_sensor:
            return False
        if self.report is not None and self.shown in ARMED_STATES:
            return Sources.SENSOR not in self.report.sources
        return self.hand_only


ARMED_STATES = (PropState.ARMED, PropState.RUNNING, PropState.RESTING)


class World:
    """The site, and how everything in it stands."""

    def __init__(self, site: Site, memory: Memory, start: Now, random: Random) -> None:
        self.site = site
        self.memory = memory
        self.now = start
        self.started = start
        self.random = random
        self.effects: list[Effect] = []
        self.latch = memory.latch
        self.stop_ms = start.mono_ms
        """When the latched stop began."""
        self.sent_ms: float | None = None
        self.alarms = Alarms()
        self.night = memory.night
        self.tags = memory.tags[0]
        self.overrides = {name: dict(by) for name, by in memory.overrides.items()}
        """Who overrode which check of which prop tonight."""
        self.incidents: set[str] = set()
        """Props with an incident tonight that nobody armed since."""
        self.checked: tuple[int, frozenset[str]] = (0, frozenset())
        """A night's id, and the props whose opening check has passed in it."""
        self.paused: tuple[str, ...] | None = None
        """What was armed when the night was paused; None while it goes on."""
        self.once_tagged = set(memory.tags[1])
        """Props whose tags the ledger knows of: what it says holds, not the board."""
        self.controllers: dict[str, ControllerNow] = {}
        self.props: dict[str, PropNow] = {
            p.name: PropNow(p, order, wanted=p.sequence(p.default_sequence).number)
            for order, p in enumerate(site.props)
        }
        self.armed_before: dict[str, None] = {}
        """What an operator armed and did not disarm, in order."""
        self.clients: dict[int, str] = {}
        """The name of everybody who said hello."""
        self.consoles: dict[int, str] = {}
        self.dirty: set[str] = {"site", "stop"}
        self.ending: str | None = None
        self._by_controller: dict[str, list[PropNow]] = {}
        for prop in self.props.values():
            self._by_controller.setdefault(prop.prop.controller, []).append(prop)
        self._by_index = {(p.prop.controller, p.prop.index): p for p in self.props.values()}

    def emit(self, effect: Effect) -> None:
        """Have this done."""
        self.effects.append(effect)

    def new_id(self) -> int:
        """A random id from 1 to 2**32-1."""
        return self.random.randrange(1, 1 << 32)

    def touch(self, *keys: str) -> None:
        """These views changed."""
        self.dirty.update(keys)

    def touch_controller(self, name: str) -> None:
        """A controller and all its props changed."""
        self.dirty.add(f"controller/{name}")
        self.dirty.update(f"prop/{p.name}" for p in self.props_of(name))

    def touch_all_props(self) -> None:
        """Every prop changed."""
        self.dirty.update(f"prop/{name}" for name in self.props)

    def props_of(self, controller: str) -> list[PropNow]:
        """The props of a controller."""
        return self._by_controller.get(controller, [])

    def prop_at(self, controller: str, index: int) -> PropNow | None:
        """The prop with this number on a controller."""
        return self._by_index.get((controller, index))

    def controller_of(self, prop: PropNow) -> ControllerNow:
        """The controller that drives a prop."""
        return self.controllers[prop.prop.controller]

    def raise_alarm(self, kind: Kind, subject: str, text: str) -> bool:
        """Raise an alarm; True if it is new."""
        return self.alarms.raise_(kind, subject, text, self.now.mono_ms, self.now.wall_ns)

    def open_stop_inputs(self) -> tuple[str, ...]:
        """Controllers whose hardwired stop is open, as far as their last word goes."""
        return tuple(c.name for c in self.controllers.values() if c.stop_input_open)

    def word_of(self, prop: PropNow) -> Word | None:
        """The last word about a prop, with its age."""
        report = prop.report
        if report is None:
            return None
        age = self.now.mono_ms - prop.reported_ms
        return Word(report.state, report.flags, report.sources, age)

    def state_of(self, prop: PropNow) -> PropState:
        """The state of a prop at this moment."""
        at = self.controller_of(prop)
        heartbeat_ms = self.site.rules.heartbeat_ms
        return state_of(at.link, self.word_of(prop), heartbeat_ms, board_stopped=at.stopped)

    def pressure_psi(self) -> float | None:
        """The tank's pressure, where a live controller measures it."""
        sensor = self.site.air.sensor
        if sensor is None:
            return None
        at = self.controllers.get(sensor.controller)
        if at is None or at.report is None or not at.heard_of or not at.report.pressure_mv:
            return None
        share = (at.report.pressure_mv / 1000 - sensor.low_v) / (sensor.high_v - sensor.low_v)
        return max(0.0, sensor.low_psi + share * (sensor.high_psi - sensor.low_psi))

    def supply_low(self, at: ControllerNow) -> bool:
        """Whether a controller's coil supply is low, by its own judgement or the site file's."""
        if at.report is None:
            return False
        if BoardFlags.LOW_SUPPLY in at.report.flags:
            return True
        name = at.controller.supply
        low_v = self.site.supply(name).low_v if name else None
        return low_v is not None and 0 < at.report.supply_mv < low_v * 1000

    def is_checked(self, prop: str) -> bool:
        """Whether a prop's opening check has passed tonight, where the site file asks for it."""
        if not self.site.opening.required:
            return True
        night, passed = self.checked
        return self.night is not None and self.night.night_id == night and prop in passed

    def facts(self, prop: PropNow) -> Facts:
        """What the permits of a prop are judged by."""
        at = self.controller_of(prop)
        flags = prop.report.flags if prop.report else PropFlags(0)
        return Facts(
            link=at.link,
            link_message=at.message,
            state=self.state_of(prop),
            latched=self.latch.latched,
            open_stop_inputs=self.open_stop_inputs(),
            tags=self.tags.owners(prop.name),
            paused=self.paused is not None,
            checked=self.is_checked(prop.name),
            incident=prop.name in self.incidents,
            overridden=frozenset(self.overrides.get(prop.name, ())),
            tagged_on_board=PropFlags.TAGGED in flags,
            supply_low=self.supply_low(at),
            supply_v=at.report.supply_mv / 1000 if at.report else None,
            pressure_psi=prop.low_air.psi,
            needed_psi=prop.low_air.limit_psi,
            area_clear=PropFlags.AREA_NOT_CLEAR not in flags,
            home=PropFlags.NOT_HOME not in flags,
        )


StopAll = Callable[[str, str], None]
"""All-stop, with its source and who did it."""
