"""What a plant is made of, in SI units: plain data that can be written as JSON.

Pressures are gauge unless a name says otherwise; volumes of flowing air are at atmospheric
pressure and 20 °C. Whoever describes a real site leaves open how far the real thing is from the
description: `perturbed` moves every number a little, as building and wear do.
"""

from __future__ import annotations

import dataclasses
import json
import math
import random
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

ATMOSPHERE_PA = 101_325.0
SCFM_M3_PER_S = 0.3048**3 / 60.0
"""One cubic foot a minute, in m³/s (the foot is 0.3048 m by definition)."""

T = TypeVar("T")


class SensorKind(StrEnum):
    """How guests, or a helper, work an input."""

    MAT = "mat"  # stepped on: bounces, then rests
    BEAM = "beam"  # broken briefly by each guest
    INFRARED = "infrared"  # sees warmth, and stays on for seconds
    BUTTON = "button"  # a helper's hand, now and then
    AREA = "area"  # active while nobody stands where the prop moves


@dataclass(frozen=True, slots=True)
class PressureGauge:
    """A sensor on the tank: two points of its straight line."""

    low_mv: int = 500
    low_pa: float = 0.0
    high_mv: int = 4500
    high_pa: float = 1.0e6


@dataclass(frozen=True, slots=True)
class BoardSpec:
    """One controller: its own name, its line, its address, and what it measures."""

    name: str
    line: str
    address: int = 1
    supply_mv: int = 0
    """Its coil supply without load; 0 where none is measured."""
    supply_ohm: float = 0.15
    """Wires and supply together."""
    coil_a: float = 0.2
    """What one output draws."""
    gauge: PressureGauge | None = None


@dataclass(frozen=True, slots=True)
class MotionSpec:
    """One cylinder (or `count` on one valve) with its load, on an output of a board."""

    board: str
    output: int
    out_s: float
    """From output on to the end of the stroke, at set pressure and as new."""
    back_s: float
    """From output off to home again."""
    bore_m: float = 0.0381
    stroke_m: float = 0.1016
    rod_m: float = 0.011
    double: bool = False
    count: int = 1
    set_pa: float = 415_000.0
    load_n: float | None = None
    """Against the rod, at its worst; 30 % of the thrust where nobody knows."""
    moving_kg: float = 6.0
    spring_n: float | None = None
    """Return spring of a single-acting one; 15 % of the thrust where nobody knows."""
    fed_by: int = 0
    """The output of the dump valve that feeds it (0: fed always)."""
    holds: bool = False
    """Without air it stays where it is."""
    out_input: int = 0
    home_input: int = 0
    end_level: int = 0
    """The electrical level of its end sensors when they are reached."""
    wear: float = 2e-5
    """How much slower each stroke makes it, as a share."""


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """An input that people work."""

    board: str
    input: int
    kind: SensorKind
    zone: str
    at: float = 0.5
    """Where on the zone's walk, from 0 to 1."""
    active_level: int = 0


@dataclass(frozen=True, slots=True)
class ZoneSpec:
    """A stretch of the walk."""

    name: str
    walk_s: float = 60.0


@dataclass(frozen=True, slots=True)
class AirSpec:
    """Tank, compressor and leaks."""

    tank_m3: float = 0.114
    cut_in_pa: float = 620_000.0
    cut_out_pa: float = 860_000.0
    delivers_m3_per_s: float = 0.0025
    leak_m3_per_s: float = 1.0e-4
    """At cut-out pressure."""


@dataclass(frozen=True, slots=True)
class GuestSpec:
    """Who comes."""

    groups_per_hour: float = 60.0
    largest: int = 6
    spread: float = 0.15
    """How much groups differ in pace."""
    least_gap_s: float = 12.0
    """Two groups are never nearer to each other."""


@dataclass(frozen=True, slots=True)
class PlantDescription:
    """A whole attraction, as the world knows it."""

    boards: tuple[BoardSpec, ...]
    motions: tuple[MotionSpec, ...] = ()
    sensors: tuple[SensorSpec, ...] = ()
    zones: tuple[ZoneSpec, ...] = ()
    """In walking order."""
    air: AirSpec = field(default_factory=AirSpec)
    guests: GuestSpec = field(default_factory=GuestSpec)

    def lines(self) -> dict[str, list[BoardSpec]]:
        """The boards of each line, in order; a line with more than one is shared."""
        found: dict[str, list[BoardSpec]] = {}
        for board in self.boards:
            found.setdefault(board.line, []).append(board)
        return found

    def to_json(self) -> str:
        """As text that `from_json` reads."""
        return json.dumps(dataclasses.asdict(self), indent=1)

    @classmethod
    def from_json(cls, text: str) -> PlantDescription:
        """The description in `text`. Raises ValueError, saying what is wrong."""
        try:
            made = _build(cls, json.loads(text), "")
        except json.JSONDecodeError as error:
            raise ValueError(f"the description is no JSON: {error}") from None
        made.check()
        return made

    def check(self) -> None:
        """Raises ValueError where something speaks of a board or zone that is not there."""
        boards = {board.name for board in self.boards}
        if not boards:
            raise ValueError("a plant needs at least one board")
        if len(boards) != len(self.boards):
            raise ValueError("two boards have the same name")
        zones = {zone.name for zone in self.zones}
        named = [m.board for m in self.motions] + [s.board for s in self.sensors]
        for name in named:
            if name not in boards:
                raise ValueError(f"there is no board {name!r}")
        for sensor in self.sensors:
            if sensor.zone not in zones:
                raise ValueError(f"there is no zone {sensor.zone!r}")


def perturbed(description: PlantDescription, seed: int) -> PlantDescription:
    """The same plant as somebody really built it."""
    rng = random.Random(seed)

    def about(value: float, spread: float) -> float:
        return value * math.exp(rng.gauss(0.0, spread))

    motions = tuple(
        dataclasses.replace(
            motion,
            out_s=about(motion.out_s, 0.05),
            back_s=about(motion.back_s, 0.05),
            moving_kg=about(motion.moving_kg, 0.1),
            load_n=None if motion.load_n is None else about(motion.load_n, 0.1),
            wear=about(motion.wear, 0.8),
        )
        for motion in description.motions
    )
    sensors = tuple(
        dataclasses.replace(s, at=min(0.98, max(0.02, s.at + rng.gauss(0.0, 0.02))))
        for s in description.sensors
    )
    zones = tuple(
        dataclasses.replace(zone, walk_s=about(zone.walk_s, 0.08)) for zone in description.zones
    )
    air = description.air
    air = dataclasses.replace(
        air,
        tank_m3=about(air.tank_m3, 0.03),
        delivers_m3_per_s=about(air.delivers_m3_per_s, 0.06),
        leak_m3_per_s=about(air.leak_m3_per_s, 0.3),
    )
    return dataclasses.replace(description, motions=motions, sensors=sensors, zones=zones, air=air)


def _build(kind: type[T], given: object, where: str) -> T:
    if not isinstance(given, dict):
        raise ValueError(f"{where or 'the description'} must be an object")
    hints = get_type_hints(kind)
    unknown = set(given) - set(hints)
    if unknown:
        raise ValueError(f"{where or 'the description'} has an unknown {sorted(unknown)[0]!r}")
    try:
        return kind(**{k: _value(hints[k], v, f"{where}{k}") for k, v in given.items()})
    except TypeError as error:
        raise ValueError(f"{where or 'the description'}: {error}") from None


def _value(kind: Any, given: object, where: str) -> object:
    if get_origin(kind) is tuple:
        if not isinstance(given, list):
            raise ValueError(f"{where} must be a list")
        inner = get_args(kind)[0]
        return tuple(_value(inner, item, f"{where}[{n}].") for n, item in enumerate(given))
    choices = get_args(kind)
    if choices:
        if given is None:
            return None
        return _value(next(c for c in choices if c is not type(None)), given, where)
    if dataclasses.is_dataclass(kind):
        assert isinstance(kind, type)
        return _build(kind, given, where)
    if issubclass(kind, StrEnum):
        return kind(given)
    if kind is float and isinstance(given, int) and not isinstance(given, bool):
        return float(given)
    if type(given) is not kind:
        raise ValueError(f"{where} must be a {kind.__name__}, not {given!r}")
    return given
