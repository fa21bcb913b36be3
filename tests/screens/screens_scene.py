"""An invented night at the Morrowfen Ice Works, for pilots and pictures.

A scene is what an engine would have sent: the screens cannot tell it from one. Tests against a real
engine are in test_screens_engine.py; a scene holds the moments that are hard to bring about.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

from console.screens.app import Console
from console.screens.desk import Desk
from console.screens.store import Store
from console.views.client import Reply
from console.views.models import (
    AirPropView,
    AirView,
    AlarmView,
    Asked,
    Confirmation,
    ControllerView,
    CrowdView,
    CycleView,
    Entity,
    GroupView,
    HeadwayView,
    LinkState,
    PointView,
    Priority,
    PropFlag,
    PropState,
    PropView,
    Refusal,
    SequenceView,
    SiteView,
    StopProgress,
    StopView,
    ZoneView,
)
from console.views.records import CycleRecord, LeakTestRecord, NightRecord, RecordFilter
from console.views.upkeep import (
    PartPage,
    SeasonTable,
    TravelChart,
    UpkeepItem,
    UpkeepList,
    WorkRecord,
    Worsening,
)
from tests.screens.screens_opening import opening

SECOND = 1_000_000_000

ZONES = {
    "gate-yard": "Gate yard",
    "ice-house": "Ice house",
    "boiler-hall": "Boiler hall",
    "drying-loft": "Drying loft",
}

PLUNGE = SequenceView(
    "plunge",
    "standard",
    6200,
    (
        (0, "fog", True),
        (250, "sound", True),
        (400, "lid", True),
        (1650, "torso", True),
        (2900, "torso", False),
        (3800, "lid", False),
        (4000, "fog", False),
        (6000, "sound", False),
    ),
)
SHIVER = SequenceView("shiver", "mild", 2400, ((0, "sound", True), (2300, "sound", False)))


def prop(
    name: str, title: str, zone: str, order: int, state: PropState, **more: object
) -> PropView:
    """One prop with likely figures."""
    now = time.time_ns()
    base = PropView(
        name=name,
        title=title,
        zone=zone,
        where=f"{ZONES[zone].lower()}, left of the passage",
        controller=f"{zone}-1",
        order=order,
        state=state,
        sequence="plunge",
        state_since_wall_ns=now - 40 * SECOND,
        cycles_tonight=41 + order,
        cycles_life=12_840 + order * 311,
        missed_tonight=order,
        last_trigger_wall_ns=now - (17 + order * 31) * SECOND,
        last_trigger="sensor",
        link_quality=0.998,
        sequences=(PLUNGE, SHIVER),
    )
    return replace(base, **more)  # type: ignore[arg-type]


def entities() -> dict[str, Entity]:
    """A night under way: something runs, something rests, one is tagged, one is at fault."""
    now = time.time_ns()
    armed, disarmed = PropState.ARMED, PropState.DISARMED
    not_home = Refusal("home", "the hoist is not at its home sensor", "let it down by hand")
    tagged = Refusal("not_tagged", "tagged by R. Alder: hose leaks", "only R. Alder lifts it")
    props = [
        prop("gate-hound", "Gate hound", "gate-yard", 0, armed),
        prop("coal-chute", "Coal chute", "gate-yard", 1, armed, flags=(PropFlag.HAND_ONLY,)),
        prop(
            "ice-house-door", "Ice-house door", "ice-house", 2, PropState.RUNNING,
            now_group=16, now_strength="standard", next_group=17, next_strength="mild",
            running_sequence="plunge", state_since_wall_ns=now - 2 * SECOND,
            points=(
                PointView("lid", "motion", True, 25_112),
                PointView("torso", "motion", True, 12_801),
                PointView("fog", "fog", True),
                PointView("sound", "sound", True),
                PointView("mat", "sensor", False),
            ),
            last_cycles=(
                CycleView(12_881, "plunge", "sensor", "done", now - 95 * SECOND, 6204,
                          (("lid", "out", 340), ("torso", "out", 512))),
                CycleView(12_880, "plunge", "operator", "done", now - 190 * SECOND, 6203,
                          (("lid", "out", 341), ("torso", "out", 515))),
                CycleView(12_879, "shiver", "sensor", "stopped", now - 290 * SECOND, 1400),
            ),
            fire_refusals=(
                Refusal("rested", "a cycle is under way", "wait until it has rested"),
            ),
        ),
        prop("ice-saw", "Ice saw", "ice-house", 3, PropState.RESTING, asked_sequence="shiver"),
        prop(
            "brine-hand", "Brine hand", "ice-house", 4, disarmed,
            flags=(PropFlag.TAGGED, PropFlag.SERVICE_DUE), tags=("R. Alder: hose leaks",),
            arm_refusals=(tagged,), fire_refusals=(tagged,),
        ),
        prop("stoker", "Stoker", "boiler-hall", 5, armed, flags=(PropFlag.LOW_AIR,)),
        prop("boiler-face", "Boiler face", "boiler-hall", 6, disarmed, asked=Asked.ARM),
        prop(
            "pipe-burst", "Pipe burst", "boiler-hall", 7, PropState.OFFLINE, link_quality=0.0,
            arm_refusals=(
                Refusal("online", "no word from boiler-hall-2", "check its plug and supply"),
            ),
        ),
        prop(
            "hoist", "Hoist with a body in sacking", "drying-loft", 8, PropState.FAULT,
            fault="the hoist did not reach its home sensor in 2.0 s",
            flags=(PropFlag.NOT_HOME, PropFlag.SLOWING, PropFlag.UNCHECKED),
            arm_refusals=(not_home,), fire_refusals=(not_home,), link_quality=0.86,
        ),
        prop("loft-crows", "Loft crows", "drying-loft", 9, armed, cycles_tonight=0,
             last_trigger_wall_ns=0, last_trigger=""),
    ]  # fmt: skip
    controllers = [
        ControllerView(
            f"{zone}-1", f"{title.lower()}, behind the panel", "north", "/dev/ttyUSB0",
            LinkState.LIVE, board=f"{zone}-1", firmware="1", quality=0.998, round_trip_ms=4.2,
            last_heard_wall_ns=now,
        )
        for zone, title in ZONES.items()
    ]  # fmt: skip
    controllers.append(
        ControllerView("boiler-hall-2", "boiler hall, under the stairs", "south", "",
                       LinkState.LOST, message="silent since 21:02:10")
    )  # fmt: skip
    alarms = [
        AlarmView("lost-boiler-hall-2", "lost", Priority.URGENT, "boiler-hall-2",
                  "no word from boiler-hall-2 (boiler hall, under the stairs)",
                  "Check its plug, then its supply. Its props are off.", now - 190 * SECOND),
        AlarmView("fault-hoist", "fault", Priority.SOON, "hoist",
                  "Hoist with a body in sacking: not home after 2.0 s",
                  "Let it down by hand, look for what holds it, then m.", now - 80 * SECOND, 2),
        AlarmView("due-brine-hand", "service", Priority.NOTICE, "brine-hand",
                  "Brine hand: valve is due", "Service it before the next night.",
                  now - 3000 * SECOND, acknowledged=True),
    ]  # fmt: skip
    found: dict[str, Entity] = {
        "site": SiteView(
            "Morrowfen Ice Works", "demo.yaml", demo=True, night=3,
            night_opened_wall_ns=now - 7400 * SECOND, night_opened_by="P. Marsh", consoles=1,
        ),
        "stop": StopView(latched=False),
    }  # fmt: skip
    found |= {
        "headway": HeadwayView(
            now + 18 * SECOND, "Ice-house door rests 18 s more", 95_000, 37.9, 190.0,
            "Ice-house door sets it with its rest.", "Ice-house door, 10 s less rest: 42 an hour",
            17, 5, "mild", "a child in front", ("strobe",), now - 77 * SECOND,
        ),
        "crowd": CrowdView(
            42, 203, 4, 38, 381_000, 250_000,
            (("gate-yard", 50_000), ("ice-house", 70_000), ("boiler-hall", 60_000),
             ("drying-loft", 45_000)),
            tuple((1_793_480_400 + 900 * n, c) for n, c in enumerate((3, 6, 9, 8, 11, 4, 1))),
            (("ice-saw", "resting", 7), ("stoker", "disarmed", 2)),
        ),
        "group/14": GroupView(14, 6, "strong", now - 400 * SECOND, "drying-loft", 93, 96),
        "group/15": GroupView(15, 4, "standard", now - 230 * SECOND, "boiler-hall", 66, 48,
                              ("boiler-hall", "drying-loft")),
        "group/16": GroupView(16, 7, "standard", now - 160 * SECOND, "ice-house", 41, 88,
                              quiet_zones=("ice-house",)),
        "group/17": GroupView(17, 5, "mild", now - 77 * SECOND, "gate-yard", 12, 99,
                              note="a child in front", exclude=("strobe",)),
        "air": AirView(
            91.0, 2.0, 92.5, True, 6.0, 5.3, 0.4, 0.2, 0.5, 75.0, 14.0, 9.0, 95.0, 120.0, 4.6,
            20.0, ("The sensor falls faster than the cycles explain: about 0.4 scfm leaks away.",),
            (AirPropView("hoist", "Hoist with a body in sacking", 0.31, 12.4),
             AirPropView("ice-house-door", "Ice-house door", 0.22, 21.9),
             AirPropView("gate-hound", "Gate hound", 0.08, 4.1)),
            tuple((now / SECOND - 3600 + 30 * n, 105 + 12 * math.sin(n / 9) - n / 8)
                  for n in range(121)),
        ),
    }  # fmt: skip
    found |= {f"zone/{n}": ZoneView(n, t, i) for i, (n, t) in enumerate(ZONES.items())}
    found |= {f"prop/{p.name}": p for p in props}
    found |= {f"controller/{c.name}": c for c in controllers}
    found["opening"] = opening(found)
    return found | {f"alarm/{a.id}": a for a in alarms}


def latched() -> dict[str, Entity]:
    """The same night, stopped by a key: one controller is silent."""
    found = entities()
    now = time.time_ns()
    progress = {"boiler-hall-2": StopProgress.NOT_CONFIRMED}
    found["stop"] = StopView(
        latched=True,
        id=5,
        source="key F9",
        by="P. Marsh",
        at_wall_ns=now - 4 * SECOND,
        sent_ms=2.1,
        confirmations=tuple(
            Confirmation(
                c.name, c.where, progress.get(c.name, StopProgress.CONFIRMED),
                None if c.name in progress else 11.0,
            )
            for c in found.values()
            if isinstance(c, ControllerView)
        ),
        warnings=("Ice-house door: lid will fall shut", "Hoist: air stays trapped, isolate it"),
        clear_refusals=(
            Refusal("confirmed", "boiler-hall-2 has not confirmed",
                    "close its air by hand, then leave it out"),
        ),
    )  # fmt: skip
    for key, entity in list(found.items()):
        if isinstance(entity, PropView) and entity.state is not PropState.OFFLINE:
            found[key] = replace(entity, state=PropState.STOPPED, asked=Asked.NOTHING)
    return found


@dataclass
class Recorder:
    """Stands where the engine client stands: remembers what was asked, answers as told."""

    asked: list[tuple[str, dict[str, object]]] = field(default_factory=list)
    answer: Reply = field(default_factory=lambda: Reply(ok=True))

    async def request(self, action: str, **args: object) -> Reply:
        self.asked.append((action, args))
        return self.answer


@dataclass
class Presses:
    """Stands where the stop line stands."""

    presses: list[tuple[str, str]] = field(default_factory=list)
    reached: bool = True
    unsent: bool = False
    unanswered_s: float = 0.0

    def press(self, source: str, by: str) -> None:
        self.presses.append((source, by))


@dataclass
class Records:
    """Stands where the ledger's reader stands."""

    exported: list[tuple[RecordFilter, str, Path]] = field(default_factory=list)
    wanted: list[RecordFilter] = field(default_factory=list)

    def nights(self) -> list[NightRecord]:
        now = time.time_ns()
        return [
            NightRecord(3, "2026-10-31", now - 7400 * SECOND, None, 412),
            NightRecord(2, "2026-10-30", now - 90_000 * SECOND, now - 80_000 * SECOND, 388),
        ]

    def outcomes(self) -> list[str]:
        return ["stopped", "done"]

    def cycles(self, wanted: RecordFilter, limit: int) -> list[CycleRecord]:
        self.wanted.append(wanted)
        now = time.time_ns()
        rows = [
            CycleRecord(
                "2026-10-31", p, 12_881 - n, "plunge" if n % 3 else "shiver",
                "sensor" if n % 4 else "operator", "done" if n % 7 else "stopped",
                now - (n * 23 + 9) * SECOND, 3.0, 6204,
            )
            for n, p in enumerate(["ice-house-door", "gate-hound", "stoker", "hoist"] * 12)
        ]  # fmt: skip
        return [
            r
            for r in rows
            if (not wanted.prop or r.prop == wanted.prop)
            and (not wanted.outcome or r.outcome == wanted.outcome)
        ][:limit]

    def leak_tests(self) -> list[LeakTestRecord]:
        now = time.time_ns()
        return [
            LeakTestRecord(now - (70 - 10 * n) * 86_400 * SECOND, percent / 20, percent, "R. Alder")
            for n, percent in enumerate((6.1, 7.4, 6.8, 11.9, 14.2, 23.5, 7.0))
        ]

    def export(self, wanted: RecordFilter, kind: str, path: Path) -> int:
        self.exported.append((wanted, kind, path))
        return 412


class Upkeeps:
    """Stands where upkeep's own look at the ledger stands."""

    def due(self, *, everything: bool = False) -> UpkeepList:
        now = time.time_ns()
        return UpkeepList(
            "next night Fri 2026-11-06, 3 ahead",
            (
                UpkeepItem("brine-hand/arm/valve:listen", "brine-hand/arm/valve",
                           "Listen for leaks at the valve", "valve", "due", 1.006,
                           "50310 of 50000 strokes", "now", "100 %", 71,
                           now - 9_000_000 * SECOND, "R. Alder"),
                UpkeepItem("hoist/rope/cylinder:oil", "hoist/rope/cylinder",
                           "Oil the rod and look at the seals", "cylinder", "soon", 0.859,
                           "21480 of 25000 strokes", "Sat 2026-11-07", "18 %"),
                UpkeepItem("ice-house-door/lid/hinge:grease", "ice-house-door/lid/hinge",
                           "Grease the hinge", "hinge", "fine", 0.06, "1204 of 20000 cycles",
                           "past calendar", "<1 %"),
                UpkeepItem("//drain-tank:drain-tank", "drain-tank", "Drain water from the tank",
                           "chore", "fine", 0.0, "0 of 1 night", "Fri 2026-11-06", "100 %"),
            ),
        )  # fmt: skip

    def worse(self) -> list[Worsening]:
        text = "coming home takes 14% longer than after its last service, since 2026-10-30"
        cause = "usual causes: a clogged exhaust silencer or flow control, a weak return spring"
        return [Worsening("hoist/rope", text, cause)]

    def part(self, subject: str) -> PartPage:
        now = time.time_ns()
        wave = [40 * (n % 7) / 7 for n in range(300)]
        slow = tuple(900 + w + max(0, n - 180) for n, w in enumerate(wave))
        level = (917.0,) * 300
        chart = TravelChart(
            "plunge", "back", slow, tuple(v - w + 17 for v, w in zip(slow, wave, strict=True)),
            level, tuple(v + 46 for v in level), 0.13, False, 240,
        )  # fmt: skip
        return PartPage(
            subject,
            "hoist/rope/cylinder",
            (
                "hoist/rope/cylinder  (cylinder, seal kit 2)", "installed 2025-09-06",
                "in its life: 61,480 strokes, 20,120 cycles, 212 hours, 49 nights",
                "one in ten of its kind fails by 150,200 strokes (90 %: 96,000 to 214,000), half "
                "by 402,000; replacements on record",
            ),
            (self.due().items[1],),
            (
                WorkRecord(71, now - 900_000 * SECOND, "P. Marsh", "serviced (oil)", "", True),
                WorkRecord(12, now - 9_000_000 * SECOND, "R. Alder", "replaced, worn out",
                           "seal torn", True),
            ),
            (chart,),
        )  # fmt: skip

    def season(self) -> SeasonTable:
        nights = tuple(f"2026-{9 + n // 12:02}-{1 + 2 * (n % 12):02}" for n in range(24))
        props = ("ice-house-door", "gate-hound", "stoker", "hoist")
        return SeasonTable(
            nights,
            tuple(
                (p, tuple((n * 7 + k * 13) % 97 for n in range(24))) for k, p in enumerate(props)
            ),
        )


@dataclass
class Scene:
    """A console in front of a scene."""

    console: Console
    desk: Desk
    engine: Recorder
    stops: Presses
    records: Records

    @property
    def store(self) -> Store:
        return self.desk.store


def scene(found: dict[str, Entity] | None = None) -> Scene:
    """A console that has heard `found`, or the ordinary night."""
    engine, stops, records = Recorder(), Presses(), Records()
    desk = Desk(Store(), engine, stops, "P. Marsh", records, Upkeeps())
    desk.store.snapshot(entities() if found is None else found)
    return Scene(Console(desk), desk, engine, stops, records)


def shown(console: Console) -> list[str]:
    """The rows of the terminal as plain text, as they are on the screen now."""
    screen = console.screen
    width, height = console.size
    strips = screen._compositor.render_strips()
    return ["".join(s.text for s in strip)[:width] for strip in strips[:height]]
