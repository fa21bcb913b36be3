"""The all-stop latch: one state machine, without clock, wire or disk.

Free, latched, or being cleared. The first reason wins and keeps its id; whatever stops again while
latched changes nothing, and while it is being cleared makes a new latch, so that a late clear can
never lift a newer stop. A clear is two steps: it names the latched stop and is taken on, and it
happens once it is durable.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

from console.views.models import Refusal, StopProgress

PATIENCE_MS = 1500.0
"""A controller that has not confirmed by then counts as not confirmed."""


class Hold(StrEnum):
    """How the latch stands."""

    FREE = "free"  # nothing is stopped
    LATCHED = "latched"  # everything is stopped
    CLEARING = "clearing"  # a clear was taken on and is not durable yet; everything is stopped


@dataclass(frozen=True, slots=True)
class Part:
    """One controller's part in a stop. `after_ms` is when it confirmed, from the stop on."""

    confirmed: bool = False
    after_ms: float | None = None
    left_out: bool = False


@dataclass(frozen=True, slots=True)
class Latch:
    """The latch. Every change gives a new one."""

    hold: Hold = Hold.FREE
    id: int = 0
    source: str = ""
    by: str = ""
    at_wall_ns: int = 0
    parts: dict[str, Part] = field(default_factory=dict)
    cleared: int = 0
    """The stop that was cleared last, which a board that missed the clear may still hold."""
    kept_out: tuple[str, ...] = ()
    """Controllers that were left out of the last clear and stay stopped."""

    @property
    def latched(self) -> bool:
        """Whether nothing may run."""
        return self.hold is not Hold.FREE

    def stop(
        self, stop: int, source: str, by: str, at_wall_ns: int, controllers: tuple[str, ...]
    ) -> Latch:
        """All-stop. The first one's id and reason stay until it is cleared."""
        if self.hold is Hold.LATCHED:
            return self
        return Latch(
            Hold.LATCHED, stop, source, by, at_wall_ns, {name: Part() for name in controllers},
            self.cleared,
        )  # fmt: skip

    def confirm(self, controller: str, after_ms: float) -> Latch:
        """This controller says that it is stopped; the first time counts."""
        part = self.parts.get(controller)
        if not self.latched or part is None or part.confirmed:
            return self
        return self._with(controller, replace(part, confirmed=True, after_ms=after_ms))

    def doubt(self, controller: str) -> Latch:
        """Its link is gone, so what it confirmed may no longer hold."""
        part = self.parts.get(controller)
        if not self.latched or part is None or not part.confirmed:
            return self
        return self._with(controller, replace(part, confirmed=False))

    def leave_out(self, controller: str) -> Latch:
        """Its air is closed by hand: a clear need not wait for it and does not reach it."""
        part = self.parts.get(controller)
        if self.hold is not Hold.LATCHED or part is None:
            return self
        return self._with(controller, replace(part, left_out=True))

    def begin_clear(self, stop: int, open_inputs: tuple[str, ...]) -> Latch | tuple[Refusal, ...]:
        """First step: take on the clear of this stop, or say everything that keeps it."""
        refused = self.clear_refusals(open_inputs, stop)
        return refused or replace(self, hold=Hold.CLEARING)

    def finish_clear(self, stop: int) -> Latch:
        """Second step, once durable. Changes nothing if a newer stop came meanwhile."""
        if self.hold is not Hold.CLEARING or stop != self.id:
            return self
        return Latch(
            cleared=self.id, kept_out=tuple(n for n, part in self.parts.items() if part.left_out)
        )

    def abandon_clear(self, stop: int) -> Latch:
        """The clear could not be made durable: the stop stays."""
        if self.hold is not Hold.CLEARING or stop != self.id:
            return self
        return replace(self, hold=Hold.LATCHED)

    def let_in(self, controller: str) -> Latch:
        """A controller that was left out is no longer: its own stop was cleared."""
        return replace(self, kept_out=tuple(n for n in self.kept_out if n != controller))

    def clear_refusals(
        self, open_inputs: tuple[str, ...], stop: int | None = None
    ) -> tuple[Refusal, ...]:
        """What keeps the stop from being cleared now."""
        found = []
        if self.hold is not Hold.LATCHED or (stop is not None and stop != self.id):
            found.append(
                Refusal(
                    "stop_id",
                    "this is not the all-stop that is latched now",
                    "Look at the stop screen again: another stop may have come since.",
                )
            )
        if open_inputs:
            found.append(
                Refusal(
                    "stop_input_closed",
                    f"the hardwired stop is open at {', '.join(open_inputs)}",
                    "Find the stop that was pressed, make sure why, close it again.",
                )
            )
        missing = [n for n, part in self.parts.items() if not (part.confirmed or part.left_out)]
        if missing:
            found.append(
                Refusal(
                    "confirmed",
                    f"not confirmed by {', '.join(missing)}",
                    "Close its air by hand and leave it out, or bring it back.",
                )
            )
        return tuple(found)

    def _with(self, controller: str, part: Part) -> Latch:
        return replace(self, parts={**self.parts, controller: part})


def progress_of(part: Part, since_ms: float, patience_ms: float) -> StopProgress:
    """How a controller's part is shown, `since_ms` after the stop."""
    if part.left_out:
        return StopProgress.LEFT_OUT
    if part.confirmed:
        return StopProgress.CONFIRMED
    return StopProgress.SENT if since_ms < patience_ms else StopProgress.NOT_CONFIRMED
