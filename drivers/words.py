"""The fixed words of the wire. Each appears on the line as it stands here."""

from __future__ import annotations

from enum import IntFlag, StrEnum

EVERY_BOARD = 0
"""The address that a board alone on its line answers besides its own."""


class Reason(StrEnum):
    """Why a board refuses a request, or could not follow a trigger."""

    SESSION = "session"  # the request names another session than the open one
    BOOT = "boot"  # the request names another boot: the board was reset since
    LATCHED = "latched"  # an all-stop is latched
    STOP_ID = "stop-id"  # the clear names another stop than the latched one
    STOP_INPUT = "stop-input"  # the hardwired stop input is open
    TAGGED = "tagged"  # somebody's tag is on the prop
    DISARMED = "disarmed"  # the prop is not armed
    ARMED = "armed"  # the prop must be disarmed for this
    RUNNING = "running"  # a cycle is under way
    RESTING = "resting"  # the rest after a cycle is not over
    SOURCE_OFF = "source-off"  # this trigger source is switched off
    WARMING_UP = "warming-up"  # the sensor has not been powered long enough
    AREA = "area"  # the clear-area input says that somebody is there
    NOT_HOME = "not-home"  # a motion is not at its home sensor
    FAULT = "fault"  # a fault waits for acknowledgement
    SETUP = "setup"  # no whole setup is stored
    SEQUENCE = "sequence"  # no whole sequence is stored under this number
    CHECKSUM = "checksum"  # what was stored does not match the checksum given
    VALUE = "value"  # an argument is outside its range
    FULL = "full"  # more steps or bytes than the board can hold


class State(StrEnum):
    """What a prop is doing, as its board says it."""

    DISARMED = "disarmed"  # answers no trigger
    ARMED = "armed"  # waits for a trigger; an idle movement may run
    RUNNING = "running"  # a cycle is under way
    RESTING = "resting"  # the cycle is over, triggers are ignored until the rest is
    STOPPED = "stopped"  # an all-stop is latched
    FAULT = "fault"  # something went wrong; acknowledge it to go on


class Trigger(StrEnum):
    """What started a cycle."""

    SENSOR = "sensor"  # a guest tripped the sensor
    ACTOR = "actor"  # a helper pressed the button at the prop
    OPERATOR = "operator"  # fired by hand from a console
    TEST = "test"  # a test, with the prop disarmed


class Sources(IntFlag):
    """Which trigger sources are switched on."""

    SENSOR = 1
    ACTOR = 2
    OPERATOR = 4


class Outcome(StrEnum):
    """How a cycle ended."""

    DONE = "done"  # ran to its end
    STOPPED = "stopped"  # cut by an all-stop
    DISARMED = "disarmed"  # cut by a disarm, a tag or a lost heartbeat
    FAULT = "fault"  # cut by a fault
    POWER = "power"  # cut by a reset or a loss of power


class SequenceKind(StrEnum):
    """What a stored sequence is for."""

    CYCLE = "cycle"  # what guests see; counted
    IDLE = "idle"  # small movement while armed; its strokes are counted


class OutputKind(StrEnum):
    """What hangs on an output."""

    MOTION = "motion"  # a valve that moves a cylinder
    SOUND = "sound"  # starts a sound player
    FOG = "fog"  # a fog machine
    LIGHT = "light"  # a lamp
    DUMP = "dump"  # the dump valve: on feeds the air, off dumps it


class AtStop(StrEnum):
    """What a light does at an all-stop. Every other output goes off."""

    OFF = "off"
    ON = "on"
    KEEP = "keep"


class InputKind(StrEnum):
    """What hangs on an input."""

    SENSOR = "sensor"  # guests trip it
    ACTOR = "actor"  # a helper's button
    END = "end"  # an end-of-stroke sensor
    AREA = "area"  # closed while the area is clear


class Level(StrEnum):
    """The electrical level at which an input counts as active."""

    HIGH = "high"
    LOW = "low"


class EventKind(StrEnum):
    """What a board reports besides states and cycles."""

    MISSED = "missed"  # a trigger the prop could not follow; detail: the reason, value: the input
    FAULT = "fault"  # a prop went into fault; detail: the fault, value: the output
    LATE = "late"  # a motion did not reach its end sensor in time; value: the output
    STOPPED = "stopped"  # an all-stop was latched; detail: what brought it
    STOP_INPUT = "stop-input"  # the stop input changed; value: 1 open, 0 closed
    SILENT = "silent"  # no heartbeat: everything was disarmed
    SUPPLY = "supply"  # the coil supply sags; value: millivolts
    MEMORY = "memory"  # a stored record was damaged; value: the slot


class StopSource(StrEnum):
    """What latched a board's all-stop."""

    BYTE = "byte"  # the stop byte on the line
    FRAME = "frame"  # the framed stop
    INPUT = "input"  # the hardwired stop input
    OPENED = "opened"  # a session opened with a stop in force


class FaultKind(StrEnum):
    """Why a prop is in fault."""

    ON_TIME = "on-time"  # an output was on for its largest on-time and was switched off


class ResetCause(StrEnum):
    """Why a board started."""

    POWER = "power"
    BUTTON = "button"  # the reset pin: a button, or a port that was opened
    WATCHDOG = "watchdog"
    BROWNOUT = "brownout"
    UNKNOWN = "unknown"


class BoardFlags(IntFlag):
    """Conditions of a whole board."""

    STOP_INPUT_OPEN = 1
    LOW_SUPPLY = 2
    SHARED_LINE = 4


class PropFlags(IntFlag):
    """Conditions of one prop."""

    TAGGED = 1
    WARMING_UP = 2
    AREA_NOT_CLEAR = 4
    SENSOR_BLOCKED = 8  # the sensor must clear before it counts again
    NOT_HOME = 16
    IDLE_RUNNING = 32
