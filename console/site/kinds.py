"""The fixed words of the site file, each with what it means."""

from __future__ import annotations

from enum import StrEnum


class DeEnergised(StrEnum):
    """What a motion does when its valve loses its coil's current."""

    RETURNS = "returns"  # goes home by air, spring or a balanced load
    HOLDS = "holds"  # stays where it is, with air trapped
    DROPS = "drops"  # falls by its weight


class OutputKind(StrEnum):
    """What hangs on an output."""

    MOTION = "motion"  # a valve that moves a cylinder
    SOUND = "sound"  # starts a sound player
    FOG = "fog"  # a fog machine
    LIGHT = "light"  # a lamp
    DUMP = "dump"  # the dump valve: on feeds the air, off dumps it


class AtStop(StrEnum):
    """What a light does at an all-stop; every other output goes off."""

    OFF = "off"  # goes dark
    ON = "on"  # lights up
    KEEP = "keep"  # stays as it is


class TriggerSource(StrEnum):
    """What starts a cycle."""

    SENSOR = "sensor"  # a guest trips it
    ACTOR = "actor"  # a helper presses the button at the prop
    OPERATOR = "operator"  # fired by hand from a console
    TEST = "test"  # run with the prop disarmed


class SensorKind(StrEnum):
    """How a sensor notices a guest."""

    MAT = "mat"  # a pressure mat underfoot
    BEAM = "beam"  # a light beam that is broken
    INFRARED = "infrared"  # warmth that moves


class Level(StrEnum):
    """The electrical level at which an input counts as active."""

    HIGH = "high"  # active with voltage on the pin
    LOW = "low"  # active with the pin pulled to ground


class Strength(StrEnum):
    """How strong a sequence is for the guests, from the mildest up."""

    QUIET = "quiet"  # lights only
    MILD = "mild"  # for those who would rather not
    STANDARD = "standard"  # for most
    STRONG = "strong"  # for those who asked for it

    @property
    def rank(self) -> int:
        """0 for the mildest."""
        return list(Strength).index(self)

    def __lt__(self, other: object) -> bool:
        return self.rank < other.rank if isinstance(other, Strength) else NotImplemented

    def __le__(self, other: object) -> bool:
        return self.rank <= other.rank if isinstance(other, Strength) else NotImplemented

    def __gt__(self, other: object) -> bool:
        return self.rank > other.rank if isinstance(other, Strength) else NotImplemented

    def __ge__(self, other: object) -> bool:
        return self.rank >= other.rank if isinstance(other, Strength) else NotImplemented


class Plan(StrEnum):
    """Which sequence comes next where a prop has several of one strength."""

    FIXED = "fixed"  # always the default, or the first of the strength
    IN_TURN = "in-turn"  # one after the other
    SHUFFLED = "shuffled"  # at random, never the same twice running


DEFAULT_MAX_ON_MS = {OutputKind.SOUND: 120_000, OutputKind.FOG: 30_000}
"""The largest on-time of outputs for which the file gives none."""
