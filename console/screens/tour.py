"""The tour of the keys: where somebody is in it, when it goes on and when it ends. Pure.

It asks nothing of the engine and sees only what the console sees. An all-stop that it did not ask
for ends it.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

from console.screens.store import Store
from console.screens.tour_steps import REAL, SIMULATED, Sight, Step, StopPart

FAREWELL_S = 30.0
"""How long the last word stands before it goes by itself."""

_OWN_STOPS = ("key ", "click")
"""How the sources begin of stops that a console's own keys and bar sent."""


class Stage(StrEnum):
    """How far the tour has come on this console."""

    OFF = "off"  # nothing of it is shown
    OFFERED = "offered"  # one row says how to take it, and how not to
    UNDER_WAY = "under way"  # a step waits until it was done
    DONE = "done"  # its last word stands for a moment


class Outcome(StrEnum):
    """What is remembered, so that it is not offered again."""

    TAKEN = "taken"  # to its end
    SKIPPED = "skipped"  # or left on the way


class Tour:
    """One console's tour. `remember` is told how it ended; it must not block."""

    def __init__(
        self, *, offered: bool = False, remember: Callable[[Outcome], None] = lambda outcome: None
    ) -> None:
        self.stage = Stage.OFFERED if offered else Stage.OFF
        self._remember = remember
        self._steps: tuple[Step, ...] = ()
        self._simulated = False
        self._at = 0
        self._place = ""
        self._then = Sight(Store())
        self._stop_id = 0

    @property
    def step(self) -> Step | None:
        """What is waited for."""
        return self._steps[self._at] if self.stage is Stage.UNDER_WAY else None

    @property
    def count(self) -> tuple[int, int]:
        """Which step it is, from 1, and of how many."""
        return self._at + 1, len(self._steps)

    @property
    def keys(self) -> tuple[str, ...]:
        """What to press now: where another screen is on top, first the way back."""
        step = self.step
        if step is None:
            return ()
        return ("1", *step.keys) if self.away else step.keys

    @property
    def away(self) -> bool:
        """Whether the step's keys work on the floor only, and another screen is on top."""
        return self.step is not None and self.step.on_floor and self._place != "Floor"

    def shown(self, store: Store) -> bool:
        """Whether it has anything on the screen. An offer makes way for an all-stop."""
        return self.stage is not Stage.OFF and (
            self.stage is not Stage.OFFERED or self.may_begin(store)
        )

    @staticmethod
    def may_begin(store: Store) -> bool:
        """Whether there is a site to look at, and nothing more important."""
        return store.linked and bool(store.site.name) and not store.stop.latched

    def begin(self, now: Sight) -> None:
        """From the first step."""
        self._simulated = now.store.site.demo
        self._steps = SIMULATED if self._simulated else REAL
        self.stage = Stage.UNDER_WAY
        self._go(0, now)

    def next(self, now: Sight) -> None:
        """On, whether the step was done or not."""
        self._go(self._at + 1, now)

    def end(self) -> None:
        """No more of it."""
        if self.stage in (Stage.OFFERED, Stage.UNDER_WAY):
            self._remember(Outcome.SKIPPED)
        self.stage = Stage.OFF

    def look(self, now: Sight) -> None:
        """See whether the step was done, or whether something ends the tour."""
        self._place = now.place
        step = self.step
        if self.stage in (Stage.UNDER_WAY, Stage.DONE) and self._ended_by(now, step):
            self.stage = Stage.OFF
        elif step is not None and step.done(now, self._then):
            if step.stop is StopPart.ASKED:
                self._stop_id = now.store.stop.id
            self._go(self._at + 1, now)
        elif self.stage is Stage.DONE and now.at_s - self._then.at_s > FAREWELL_S:
            self.stage = Stage.OFF

    def _go(self, at: int, now: Sight) -> None:
        while at < len(self._steps) and not self._steps[at].applies(now):
            at += 1
        self._at = at
        self._place = now.place
        self._then = _kept(now)
        if at == len(self._steps):
            self.stage = Stage.DONE
            self._remember(Outcome.TAKEN)

    def _ended_by(self, now: Sight, step: Step | None) -> bool:
        store = now.store
        if store.site.name and store.site.demo is not self._simulated:
            return True
        part = step.stop if step is not None else StopPart.NONE
        if part is StopPart.ASKED:
            return store.stop.latched and not store.stop.source.startswith(_OWN_STOPS)
        if part is StopPart.CLEARED:
            return store.stop.latched and store.stop.id != self._stop_id
        return store.stop.latched or now.pressed


def _kept(now: Sight) -> Sight:
    """`now` as it is: the store it looks at goes on changing."""
    return Sight(
        Store(dict(now.store.entities)),
        now.screen, now.place, now.prop, dict(now.did), now.pressed, now.at_s,
    )  # fmt: skip
