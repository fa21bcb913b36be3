"""The events of a simulated controller, kept until they are seen."""

from __future__ import annotations

from collections import deque

from drivers.messages import EventRecord, Hex32
from drivers.words import EventKind

_MOST = 32
_MISSED_A_SECOND = 4


class Events:
    """Numbered from 1 in each boot. With too many waiting, missed triggers are lost first."""

    def __init__(self, boot: int, boot_us: int) -> None:
        self._boot = Hex32(boot)
        self._boot_us = boot_us
        self._number = 0
        self._waiting: list[EventRecord] = []
        self._missed: dict[int, deque[int]] = {}

    def note(
        self, at_us: int, kind: EventKind, prop: int = 0, detail: str = "-", value: int = 0
    ) -> None:
        """Something happened."""
        if kind is EventKind.MISSED and not self._missed_fits(prop, at_us):
            return
        self._number += 1
        ms = (at_us - self._boot_us) // 1000 & 0xFFFFFFFF
        self._waiting.append(EventRecord(self._number, self._boot, ms, kind, prop, detail, value))
        if len(self._waiting) > _MOST:
            missed = (e for e in self._waiting if e.kind is EventKind.MISSED)
            self._waiting.remove(next(missed, self._waiting[0]))

    def oldest(self) -> EventRecord | None:
        """The event to be reported now."""
        return self._waiting[0] if self._waiting else None

    def seen(self, number: int) -> None:
        """Forgets one event; nothing happens if it is unknown."""
        self._waiting = [e for e in self._waiting if e.number != number]

    def _missed_fits(self, prop: int, at_us: int) -> bool:
        recent = self._missed.setdefault(prop, deque(maxlen=_MISSED_A_SECOND))
        if len(recent) == _MISSED_A_SECOND and at_us - recent[0] < 1_000_000:
            return False
        recent.append(at_us)
        return True
