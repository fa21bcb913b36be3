"""Opening up: what should be armed is armed one after another, in the order the air allows."""

from __future__ import annotations

from collections.abc import Callable

from console.actions import BY_ID
from console.engine.air import Air
from console.engine.badrequest import BadRequest
from console.engine.durably import Body, refused_body
from console.engine.world import ARMED_STATES, PropNow, World
from console.figures.inputs import FigureError
from console.rules.airuse import sequence_scf
from console.rules.permits import refusals
from console.views.models import Refusal

APART_MS = 1000.0
ESTIMATE_MS = 60_000.0
"""The estimate of the air holds a prop back no longer than this: it is only an estimate."""
GIVE_UP_MS = 600_000.0
_ARM = BY_ID["arm"].permits
_INCIDENT = Refusal(
    "incident", "something happened at it tonight", "Look at it, then arm it by itself."
)


class OpeningUp:
    """The props that wait for their turn. A stop, a pause or a disarm takes them out."""

    def __init__(self, world: World, air: Air) -> None:
        self._world = world
        self._air = air
        self._arm: Callable[[PropNow], None] = lambda _: None
        self._queue: list[str] = []
        self._last_ms = 0.0
        self._begun_ms = 0.0
        self._scf: dict[str, float] = {}

    @property
    def waiting(self) -> tuple[str, ...]:
        """The props that are still to be armed."""
        return tuple(self._queue)

    def arms_with(self, arm: Callable[[PropNow], None]) -> None:
        """How a prop is armed."""
        self._arm = arm

    def begin(self) -> Body:
        """Put every prop that may be armed into the queue. Raises BadRequest where there is none.

        A prop that lacks nothing but air waits in it.
        """
        world = self._world
        refused: dict[str, object] = {}
        names: list[str] = []
        for zone in world.site.zones:
            for each in world.site.props_of_zone(zone.name):
                prop = world.props[each.name]
                if world.state_of(prop) in ARMED_STATES:
                    continue
                found = self._refused(prop)
                if any(r.check != "pressure" for r in found):
                    refused[prop.name] = refused_body(0, found)["refused"]
                else:
                    names.append(prop.name)
        if not names and refused:
            raise BadRequest(
                f"none of {len(refused)} props may be armed",
                "`w` on each, or `sexton why PROP`, says what keeps it.",
            )
        self._queue = names
        self._begun_ms, self._last_ms = world.now.mono_ms, world.now.mono_ms - APART_MS
        return {"done": list(names), "refused": refused}

    def leaves_out(self, prop: str) -> None:
        """Not this one any more."""
        if prop in self._queue:
            self._queue.remove(prop)

    def end(self) -> None:
        """None of them any more."""
        self._queue.clear()

    def tick(self) -> None:
        """Arm the next one, if it is time."""
        world = self._world
        if not self._queue:
            return
        now_ms = world.now.mono_ms
        held = world.latch.latched or world.paused is not None or world.ending
        if held or world.night is None or now_ms - self._begun_ms > GIVE_UP_MS:
            self.end()
            return
        since = now_ms - self._last_ms
        if since < APART_MS:
            return
        for name in list(self._queue):
            prop = world.props[name]
            found = self._refused(prop)
            if world.state_of(prop) in ARMED_STATES or any(r.check != "pressure" for r in found):
                self._queue.remove(name)
            elif not found and (
                since >= ESTIMATE_MS or not self._air.ready_in_ms(self._takes(prop))
            ):
                self._queue.remove(name)
                self._last_ms = now_ms
                self._arm(prop)
                return

    def _refused(self, prop: PropNow) -> tuple[Refusal, ...]:
        found = refusals(_ARM, self._world.facts(prop))
        return (*found, _INCIDENT) if prop.name in self._world.incidents else found

    def _takes(self, prop: PropNow) -> float:
        """The free air of one run of its default sequence, in scf."""
        if prop.name not in self._scf:
            try:
                self._scf[prop.name] = sequence_scf(prop.prop, prop.prop.default_sequence)
            except FigureError:
                self._scf[prop.name] = 0.0
        return self._scf[prop.name]
