"""A site as its file describes it. `console.site.loading.load` builds one from a file.

Every quantity is a plain number in the unit of its field's name; pressures are gauge.
"""

from __future__ import annotations

from enum import StrEnum

from pydantic import Field

from console.site.base import NAME_KEY, FileModel, Named, computed, named
from console.site.hardware import (
    Acting,
    Air,
    Compressor,
    Cylinder,
    Hose,
    Limits,
    Part,
    PartKind,
    PressureSensor,
    ServiceInterval,
    Supply,
    Swing,
    Tank,
    Valve,
    Ways,
    Wire,
)
from console.site.kinds import (
    AtStop,
    DeEnergised,
    Level,
    OutputKind,
    Plan,
    SensorKind,
    Strength,
    TriggerSource,
)
from console.site.props import (
    EndSensor,
    IdleMovement,
    Input,
    Motion,
    Output,
    Prop,
    Sequence,
    Step,
    Trigger,
    Triggers,
    WrittenStep,
)
from console.site.quantities import (
    BoardId,
    Clock,
    Date,
    Fahrenheit,
    Ms,
    Slug,
    Switch,
    Text,
    Title,
)

__all__ = [
    "Acting", "Air", "AtStop", "BoardSize", "Compressor", "Controller", "Cylinder", "DeEnergised",
    "EndSensor", "Hose", "IdleMovement", "Input", "Level", "Limits", "Line", "Motion", "Night",
    "Opening", "Output", "OutputKind", "Part", "PartKind", "Plan", "PressureSensor", "Prop",
    "QuietHours", "Rules", "SensorKind", "Sequence", "ServiceInterval", "Site", "Step", "Strength",
    "Supply", "Swing", "Tank", "Trigger", "TriggerSource", "Triggers", "Valve", "Ways", "Wire",
    "WrittenStep", "Zone",
]  # fmt: skip


class BoardSize(StrEnum):
    """How much a board can hold; see `console.site.capacity`."""

    STANDARD = "standard"  # a 32-bit board, or the board simulated here
    SMALL = "small"  # an 8-bit board with 2 KB of memory


class Zone(FileModel):
    """A stretch of the walk that guests pass in order."""

    name: Slug = Field(validation_alias=NAME_KEY)
    title: Title
    walk_ms: Ms = Field(default=60_000, gt=0)
    """How long a group takes through it."""


class Line(FileModel):
    """A serial line, and exactly one way to find its port."""

    name: Slug = Field(validation_alias=NAME_KEY)
    baud: int = 115_200
    usb_serial: Text | None = None
    usb_location: Text | None = None
    path: Text | None = None
    url: Text | None = None

    @property
    def port(self) -> str:
        """How its port is found, in words."""
        for key in ("usb_serial", "usb_location", "path", "url"):
            if (value := getattr(self, key)) is not None:
                return f"{key.replace('_', ' ')} {value}"
        return "nowhere"


class Controller(FileModel):
    """The board that drives one or more props."""

    name: Slug = Field(validation_alias=NAME_KEY)
    board_id: BoardId
    line: Slug
    address: int = Field(default=1, ge=1, le=254)
    shared: bool = computed(False)
    """Whether other controllers hang on its line."""
    driver: Slug = "sexton"
    board: BoardSize = BoardSize.STANDARD
    where: Text
    isolate: Text | None = None
    """Where its air is closed by hand when it doesn't confirm a stop."""
    alarm_light: Switch = False
    stop_input: Switch = False
    """Whether a hardwired stop is on its stop input."""
    supply: Slug | None = None
    """What feeds its coils."""
    logic_supply: Slug | None = None
    """What feeds the board, where that is another supply."""


class QuietHours(FileModel):
    """Output properties that are left out at certain times."""

    begins: Clock
    ends: Clock
    exclude: tuple[Slug, ...] = Field(min_length=1)


class Rules(FileModel):
    """What the site asks of the engine."""

    heartbeat_ms: Ms = Field(default=1500, ge=500, le=10_000)
    """An armed board that hears nothing for this long disarms itself."""
    stop_when_last_console_closes: Switch = False
    stop_when_lost_running: tuple[Slug, ...] = ()
    """Controllers whose loss in mid-cycle is an all-stop."""
    disarm_without_console: Switch = False
    """Disarm when no console has been open for a minute of a night."""
    ask_before_upload: Switch = True
    """Ask before a setup or sequence is changed while a night is open."""
    headway_ms: Ms | None = None
    """Between two groups, at least."""
    air_recovery_ms: Ms | None = None
    """What the air needs after a group, where no figures of the air are given."""
    ceiling: Strength = Strength.STRONG
    """No group gets more than this."""
    quiet_hours: tuple[QuietHours, ...] = ()


class Opening(FileModel):
    """What must be looked at before guests come in, beside what every site needs."""

    required: Switch = False
    """Whether a prop stays closed until its own part of the opening check has passed."""
    exits: tuple[Text, ...] = ()
    chores: tuple[Text, ...] = ()
    closing_chores: tuple[Text, ...] = ()
    warm_up_below_degf: Fahrenheit | None = None
    leak_test_days: int | None = Field(default=None, gt=0)


class Night(FileModel):
    """One opening in the calendar; closing before it opens means after midnight."""

    date: Date
    opens: Clock
    closes: Clock


class Site(FileModel):
    """One attraction."""

    name: Title = Field(validation_alias="site")
    timezone: Text | None = None
    """A name such as `Europe/Vienna`; this machine's own without one."""
    zones: Named[Zone] = Field(min_length=1)
    """In walking order."""
    lines: Named[Line] = Field(min_length=1)
    supplies: Named[Supply] = ()
    controllers: Named[Controller] = Field(min_length=1)
    props: Named[Prop] = Field(min_length=1)
    air: Air = Air()
    service: Named[ServiceInterval] = ()
    nights: tuple[Night, ...] = ()
    opening: Opening = Opening()
    rules: Rules = Rules()

    def prop(self, name: str) -> Prop:
        """The prop of this name; raises KeyError."""
        return named(self.props, name)

    def zone(self, name: str) -> Zone:
        """The zone of this name; raises KeyError."""
        return named(self.zones, name)

    def controller(self, name: str) -> Controller:
        """The controller of this name; raises KeyError."""
        return named(self.controllers, name)

    def line(self, name: str) -> Line:
        """The line of this name; raises KeyError."""
        return named(self.lines, name)

    def supply(self, name: str) -> Supply:
        """The supply of this name; raises KeyError."""
        return named(self.supplies, name)

    def props_of_zone(self, name: str) -> tuple[Prop, ...]:
        """The props of a zone, in the order of the file."""
        return tuple(p for p in self.props if p.zone == name)

    def props_of_controller(self, name: str) -> tuple[Prop, ...]:
        """The props of a controller, by their index on it."""
        return tuple(p for p in self.props if p.controller == name)

    def controllers_of_line(self, name: str) -> tuple[Controller, ...]:
        """The controllers on a line, in the order of the file."""
        return tuple(c for c in self.controllers if c.line == name)
