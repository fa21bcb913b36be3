"""Why a board refused, in words for the operator, and what to do about it.

One row for every `drivers.words.Reason`; a test fails if one is missing.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.words import Reason


@dataclass(frozen=True, slots=True)
class Remedy:
    """What is wrong and what the operator does."""

    reason: str
    remedy: str


REASONS: dict[Reason, Remedy] = {
    Reason.SESSION: Remedy(
        "its controller was taken over by another session",
        "See whether a second engine uses this line; then ask again.",
    ),
    Reason.BOOT: Remedy(
        "its controller was reset just now", "Wait until it is back, look at it, then ask again."
    ),
    Reason.LATCHED: Remedy(
        "an all-stop is latched on its controller", "Find out why, then clear the all-stop."
    ),
    Reason.STOP_ID: Remedy(
        "a newer all-stop is latched on its controller",
        "Find out what stopped it, then clear that one.",
    ),
    Reason.STOP_INPUT: Remedy(
        "a hardwired stop is open",
        "Find the stop that was pressed, make sure why, close it again, then clear.",
    ),
    Reason.TAGGED: Remedy(
        "somebody's tag is on it", "Ask the person named on the tag; only they lift it."
    ),
    Reason.DISARMED: Remedy("it is not armed", "Arm it first."),
    Reason.ARMED: Remedy("it is armed", "Disarm it first."),
    Reason.RUNNING: Remedy("a cycle is under way", "Wait until it is over."),
    Reason.RESTING: Remedy("it rests after a cycle", "Wait until the rest is over."),
    Reason.SOURCE_OFF: Remedy(
        "firing by hand is switched off for it", "The site file gives it no operator trigger."
    ),
    Reason.WARMING_UP: Remedy("its sensor is still warming up", "Wait a minute."),
    Reason.AREA: Remedy(
        "its clear-area input says that somebody is there",
        "Look; when nobody is there, check the area's switch and its wire.",
    ),
    Reason.NOT_HOME: Remedy(
        "a motion is not at its home sensor",
        "Look at the prop; bring it home with a test, or check the sensor.",
    ),
    Reason.FAULT: Remedy(
        "a fault waits to be acknowledged", "Look at the prop, then acknowledge the fault."
    ),
    Reason.SETUP: Remedy(
        "its controller holds no whole setup", "Wait for the upload, or send the site file again."
    ),
    Reason.SEQUENCE: Remedy(
        "its controller does not hold this sequence",
        "Wait for the upload, or send the site file again.",
    ),
    Reason.CHECKSUM: Remedy(
        "what reached its controller was damaged", "Check the cable; the engine sends it again."
    ),
    Reason.VALUE: Remedy(
        "its controller cannot take a value that was asked for",
        "Check that the board in the site file is the board that is fitted.",
    ),
    Reason.FULL: Remedy(
        "its controller has no room for all sequences",
        "Shorten the sequences or use a board that holds more.",
    ),
}
