"""What can be bought and bolted on: valves, cylinders, hoses, wires, supplies, air, parts."""

from __future__ import annotations

from enum import StrEnum

from pydantic import Field

from console.site.base import NAME_KEY, FileModel, Named
from console.site.quantities import (
    Amperes,
    Conductance,
    Cv,
    Date,
    Degrees,
    Feet,
    Gallons,
    Hours,
    Inches,
    Ms,
    Pounds,
    PoundsForce,
    Psi,
    Ratio,
    Scfm,
    Slug,
    Switch,
    Text,
    Title,
    Volts,
    Watts,
)


class PartKind(StrEnum):
    """What kind of part wears."""

    CYLINDER = "cylinder"  # seals, rod, bearing of the rod
    VALVE = "valve"  # spool and pilot
    COIL = "coil"  # the solenoid on a valve
    BEARING = "bearing"  # turns under load
    HINGE = "hinge"  # swings under load
    HOSE = "hose"  # flexes with the motion
    SPRING = "spring"  # returns or assists
    SENSOR = "sensor"  # mat, beam, infrared, end of stroke
    COMPRESSOR = "compressor"  # wears by running hours
    FILTER = "filter"  # clogs
    REGULATOR = "regulator"  # creeps
    LUBRICATOR = "lubricator"  # runs dry
    TANK = "tank"  # collects water
    RELIEF_VALVE = "relief-valve"  # must lift each season
    OTHER = "other"  # anything else


class Acting(StrEnum):
    """On which sides of its piston a cylinder takes air."""

    SINGLE = "single"  # air pushes out, a spring or the load brings it home
    DOUBLE = "double"  # air pushes both ways


class Ways(StrEnum):
    """Ports and positions of a valve."""

    TWO_TWO = "2/2"  # open or shut
    THREE_TWO = "3/2"  # feeds or vents one side
    FIVE_TWO = "5/2"  # feeds one side and vents the other
    FIVE_THREE = "5/3"  # has a middle position


class Limits(FileModel):
    """How long something lasts between services: whichever comes first."""

    cycles: int | None = Field(default=None, gt=0)
    strokes: int | None = Field(default=None, gt=0)
    hours_h: Hours | None = None
    """Hours armed for a part of a prop, hours of running for a compressor."""
    nights: int | None = Field(default=None, gt=0)
    days: int | None = Field(default=None, gt=0)
    dates: tuple[Date, ...] = ()


class Part(Limits):
    """Something that wears. Its own limits count beside those of the service list."""

    name: Slug = Field(validation_alias=NAME_KEY)
    kind: PartKind
    model: Title | None = None
    """Parts of one model share their spares."""
    installed: Date | None = None
    at_strokes: int = Field(default=0, ge=0)
    """Strokes it had done already when it was put in."""
    b10: int | None = Field(default=None, gt=0)
    """Strokes by which one in ten has failed, as its maker says."""


class ServiceInterval(Limits):
    """A piece of upkeep that comes back: for every part of a kind, or a chore of the site."""

    name: Slug = Field(validation_alias=NAME_KEY)
    title: Title
    part: PartKind | None = None
    """Parts of this kind; a chore of the whole site without one."""
    props: tuple[Slug, ...] = ()
    """Only parts of these props; all without any."""
    damp_hours_h: Hours | None = None
    """Sooner, after so many hours of the compressor's running, while the weather is damp."""


class Wire(FileModel):
    """The run from the supply to a coil, one way."""

    awg: int = Field(ge=4, le=30)
    length_ft: Feet


class Hose(FileModel):
    """Between valve and cylinder."""

    length_ft: Feet
    inside_in: Inches


class Valve(FileModel):
    """What an output switches to move a cylinder."""

    ways: Ways = Ways.THREE_TWO
    cv: Cv | None = None
    exhaust_cv: Cv | None = None
    conductance: Conductance | None = None
    critical_ratio: Ratio | None = None
    coil_w: Watts | None = None
    voltage_v: Volts | None = None
    min_pressure_psi: Psi | None = None
    """Below this a pilot valve doesn't switch."""
    flow_control_cv: Cv | None = None
    quick_exhaust: Switch = False
    response_ms: Ms | None = None
    model: Title | None = None


class Swing(FileModel):
    """The triangle of a cylinder that turns an arm."""

    arm_in: Inches
    """From the pivot to the rod's pin."""
    base_in: Inches
    """From the pivot to the cylinder's pin."""
    closed_in: Inches | None = None
    """From pin to pin with the rod in."""
    angle_deg: Degrees | None = None
    """How far the arm is meant to turn."""


class Cylinder(FileModel):
    """What moves."""

    bore_in: Inches
    stroke_in: Inches
    rod_in: Inches | None = None
    acting: Acting = Acting.SINGLE
    count: int = Field(default=1, ge=1, le=8)
    """Cylinders on the one valve."""
    load_lbf: PoundsForce | None = None
    """Force that the load sets against the rod, at its worst."""
    moving_lb: Pounds | None = None
    """What is set in motion."""
    spring_lbf: PoundsForce | None = None
    """Return spring, at full stroke."""
    assist_lbf: PoundsForce | None = None
    """Spring or counterweight that helps the rod out."""
    swing: Swing | None = None
    model: Title | None = None


class Supply(FileModel):
    """A DC supply for coils or boards."""

    name: Slug = Field(validation_alias=NAME_KEY)
    voltage_v: Volts
    current_a: Amperes
    low_v: Volts | None = None
    """Below this a controller's coil supply counts as low."""
    where: Text | None = None


class Compressor(FileModel):
    """What fills the tank."""

    delivers_scfm: Scfm
    at_psi: Psi = 90.0
    """The pressure at which it delivers that much."""
    cut_in_psi: Psi
    cut_out_psi: Psi
    longest_run_ms: Ms = 20 * 60_000
    """Running longer than this without catching up raises an alarm."""


class Tank(FileModel):
    """What holds the air."""

    volume_gal: Gallons
    relief_psi: Psi | None = None
    where: Text | None = None


class PressureSensor(FileModel):
    """A sensor on the tank, read by a controller."""

    controller: Slug
    low_v: Volts = 0.5
    low_psi: Psi = Field(default=0.0, validation_alias="at_low")
    high_v: Volts = 4.5
    high_psi: Psi = Field(validation_alias="at_high")


class Air(FileModel):
    """Compressor, tank and what is known of the pipes."""

    compressor: Compressor | None = None
    tank: Tank | None = None
    sensor: PressureSensor | None = None
    leak_scfm: Scfm | None = None
    """What leaks at working pressure, as last measured."""
    isolate: Text | None = None
    """Where the whole site's air is closed by hand."""
    parts: Named[Part] = ()
