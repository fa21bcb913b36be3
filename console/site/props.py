"""A prop: its motions, outputs, triggers, sequences and idle movement."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from console.site.base import NAME_KEY, FileModel, Named, computed, named
from console.site.hardware import Acting, Cylinder, Hose, Part, Valve, Wire
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
from console.site.quantities import (
    Ms,
    PerMinute,
    Psi,
    Slug,
    Switch,
    Text,
    Title,
    Watts,
)

STEP_WORDS = ("at", "partial")
"""Keys of a step that are no outputs."""

SWITCHES_KEY = "(switches)"
"""Where the remaining keys of a step are gathered."""


class Input(FileModel):
    """One input of a controller and how it reads."""

    input: int = Field(ge=1)
    active: Level = Level.LOW
    debounce_ms: Ms = Field(default=20, le=5000)

    @model_validator(mode="before")
    @classmethod
    def _number_alone(cls, value: object) -> object:
        """`home: 3` is short for `home: {input: 3}`."""
        return {"input": value} if isinstance(value, str | int) else value


class EndSensor(FileModel):
    """Sensors at the ends of a motion's stroke."""

    out: Input | None = None
    home: Input | None = None


class Motion(FileModel):
    """One thing a prop does: a valve, its cylinder, the parts it wears, its end sensors."""

    name: Slug = Field(validation_alias=NAME_KEY)
    title: Title | None = None
    output: int = Field(ge=1)
    de_energised: DeEnergised
    travel_ms: Ms = Field(gt=0)
    """From output on to the end of the stroke."""
    return_ms: Ms = Field(gt=0)
    """From output off to home again."""
    max_on_ms: Ms = Field(default=10_000, gt=0)
    fast: Switch = False
    """Startles by speed, so it needs more force in hand."""
    says: Text | None = None
    """What the stop screen says of it, such as "the ice-house door will fall shut"."""
    isolate: Text | None = None
    """Where air stays trapped, where to let it out."""
    moves_on_air: Switch | None = None
    valve: Valve | None = None
    cylinder: Cylinder | None = None
    hose: Hose | None = None
    wire: Wire | None = None
    end_sensor: EndSensor = EndSensor()
    properties: tuple[Slug, ...] = ()
    parts: Named[Part] = ()

    @property
    def moves_when_air_returns(self) -> bool:
        """Whether air that comes back after a stop can move it with its output off."""
        if self.moves_on_air is not None:
            return self.moves_on_air
        return self.cylinder is not None and self.cylinder.acting is Acting.DOUBLE


class Output(FileModel):
    """One switched channel that is no motion (`Prop.channels` gives motions in this form too)."""

    name: Slug = Field(validation_alias=NAME_KEY)
    title: Title | None = None
    output: int = Field(ge=1)
    kind: OutputKind
    start_delay_ms: Ms = Field(default=0, le=10_000)
    """For sound: from output on to the first sound; steps are moved earlier by it."""
    at_stop: AtStop = AtStop.OFF
    max_on_ms: Ms | None = Field(default=None, gt=0)
    """None: no limit. The loader fills in `DEFAULT_MAX_ON_MS` where the file is silent."""
    properties: tuple[Slug, ...] = ()
    """Words that a group can exclude, such as `strobe`, `loud`, `fog`."""
    power_w: Watts | None = None
    wire: Wire | None = None


class Trigger(FileModel):
    """What starts a cycle. Operator and test have no input."""

    source: TriggerSource = computed(TriggerSource.SENSOR)
    kind: SensorKind | None = None
    input: int | None = Field(default=None, ge=1)
    active: Level = Level.LOW
    warm_up_ms: Ms = Field(default=0, le=600_000)
    debounce_ms: Ms = Field(default=30, le=5000)
    clear_first: Switch = True
    """Found active when the prop is armed, it must go inactive before it counts."""


class Switched(FileModel):
    """One output that a step switches, by name."""

    name: str = Field(validation_alias=NAME_KEY)
    on: Switch


class WrittenStep(FileModel):
    """A step as the file has it: a time and the outputs it switches, by name."""

    at_ms: Ms
    partial: Switch = False
    """May reverse a motion that has not arrived: a twitch."""
    switches: tuple[Switched, ...] = Field(validation_alias=SWITCHES_KEY)

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, value: object) -> object:
        if not isinstance(value, Mapping) or "at_ms" in value:
            return value
        kept = {key: item for key, item in value.items() if key in STEP_WORDS}
        switches = [
            {NAME_KEY: key, "on": item} for key, item in value.items() if key not in STEP_WORDS
        ]
        if not switches:
            raise PydanticCustomError("empty_step", "this step switches nothing", {})
        return {**kept, SWITCHES_KEY: switches}


class Step(FileModel):
    """One output switched at one time, as a controller plays it."""

    at_ms: int
    output: int
    on: bool
    partial: bool = False
    row: int = 0
    """Which step of the file it comes from, from 0."""


class Sequence(FileModel):
    """Timed steps that switch outputs, with a strength."""

    name: Slug = Field(validation_alias=NAME_KEY)
    title: Title | None = None
    strength: Strength
    length_ms: Ms = Field(gt=0, le=600_000)
    written: tuple[WrittenStep, ...] = Field(validation_alias="steps", min_length=1)
    steps: tuple[Step, ...] = computed(())
    number: int = computed(0)


class IdleMovement(FileModel):
    """Small movement while a prop waits, armed, at random intervals."""

    length_ms: Ms = Field(gt=0, le=600_000)
    between_min_ms: Ms = Field(gt=0)
    between_max_ms: Ms = Field(gt=0)
    interrupt_within_ms: Ms = Field(gt=0)
    """A trigger is followed at most this much later."""
    strokes_per_min: PerMinute | None = Field(default=None, validation_alias="at_most")
    """More strokes than this the air doesn't allow."""
    above_psi: Psi | None = None
    """Only while the tank holds more than this."""
    written: tuple[WrittenStep, ...] = Field(validation_alias="steps", min_length=1)
    steps: tuple[Step, ...] = computed(())
    number: int = computed(0)


class Triggers(FileModel):
    """The trigger sources of a prop. The operator's is there unless the file says no."""

    sensor: Trigger | None = None
    actor: Trigger | None = None
    operator: Switch = True


class Prop(FileModel):
    """One moving piece."""

    name: Slug = Field(validation_alias=NAME_KEY)
    title: Title
    zone: Slug
    where: Text | None = None
    controller: Slug
    index: int = computed(0)
    """Its number on its controller, from 1, in the order of the file."""
    outdoor: Switch = False
    set_pressure_psi: Psi | None = None
    min_pressure_psi: Psi | None = None
    rest_ms: Ms = Field(gt=0)
    isolate: Text | None = None
    """Where its air is closed by hand."""
    park: Text | None = None
    """How it is left for the night."""
    warm_up_strokes: int = Field(default=0, ge=0, le=50)
    clear_area: Input | None = None
    """Normally closed: active while nobody stands where the prop moves."""
    motions: Named[Motion] = ()
    outputs: Named[Output] = ()
    triggered_by: Triggers = Field(default=Triggers(), validation_alias="triggers")
    sequences: Named[Sequence] = Field(min_length=1)
    default_sequence: Slug
    plan: Plan = Plan.FIXED
    idle: IdleMovement | None = None
    parts: Named[Part] = ()
    """Parts that belong to no single motion."""

    @property
    def clear_area_input(self) -> int | None:
        """The number of the clear-area input, None where there is none."""
        return self.clear_area.input if self.clear_area else None

    @cached_property
    def triggers(self) -> tuple[Trigger, ...]:
        """Every source that can start it, test included."""
        found = []
        if self.triggered_by.sensor is not None:
            found.append(
                self.triggered_by.sensor.model_copy(update={"source": TriggerSource.SENSOR})
            )
        if self.triggered_by.actor is not None:
            found.append(self.triggered_by.actor.model_copy(update={"source": TriggerSource.ACTOR}))
        if self.triggered_by.operator:
            found.append(Trigger(source=TriggerSource.OPERATOR))
        found.append(Trigger(source=TriggerSource.TEST))
        return tuple(found)

    def trigger(self, source: TriggerSource) -> Trigger | None:
        """The trigger of this source, None where the prop has none."""
        return next((t for t in self.triggers if t.source is source), None)

    def sequence(self, name: str) -> Sequence:
        """The sequence of this name; raises KeyError."""
        return named(self.sequences, name)

    def motion(self, name: str) -> Motion:
        """The motion of this name; raises KeyError."""
        return named(self.motions, name)

    def channel(self, name: str) -> Output:
        """The motion or other output of this name, as a channel; raises KeyError."""
        return named(self.channels, name)

    def output_name(self, number: int) -> str:
        """The name of one of its outputs by number; raises KeyError."""
        for channel in self.channels:
            if channel.output == number:
                return channel.name
        raise KeyError(number)

    @property
    def min_air_psi(self) -> float:
        """The pressure below which it must not run: its own or its pilot valves', the higher."""
        floors = [m.valve.min_pressure_psi or 0.0 for m in self.motions if m.valve]
        return max([self.min_pressure_psi or 0.0, *floors])

    @property
    def channels(self) -> tuple[Output, ...]:
        """Every output of the prop, motions included, by output number."""
        motions = (
            Output(
                name=m.name, title=m.title, output=m.output, kind=OutputKind.MOTION,
                max_on_ms=m.max_on_ms, properties=m.properties, wire=m.wire,
                power_w=m.valve.coil_w if m.valve else None,
            )
            for m in self.motions
        )  # fmt: skip
        return tuple(sorted((*motions, *self.outputs), key=lambda o: o.output))
