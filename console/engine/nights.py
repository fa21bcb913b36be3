"""Nights, and who is looking: opening and closing, consoles coming and going."""

from __future__ import annotations

from collections.abc import Callable

from console.engine.durably import Body, durably, ok_body, refused_body
from console.engine.effects import Answer, End
from console.engine.recording import Recorder
from console.engine.world import ARMED_STATES, StopAll, World
from console.ledger.entries import Appended, NightClosed, NightOpened
from console.rules.alarms import Kind
from console.views.models import Refusal

UNWATCHED_MS = 60_000.0
AUTO_END_MS = 600_000.0


class Nights:
    """The open night and the consoles that watch it."""

    def __init__(
        self,
        world: World,
        recorder: Recorder,
        stop_all: StopAll,
        disarm_all: Callable[[], None],
        *,
        auto: bool,
        before_closing: Callable[[], None],
    ) -> None:
        self._world = world
        self._recorder = recorder
        self._stop_all = stop_all
        self._disarm_all = disarm_all
        self._auto = auto
        self._before_closing = before_closing
        self._unwatched_since_ms: float | None = world.now.mono_ms
        self.unwatched = False
        """Whether nobody has watched an open night for a minute."""

    def open(self, by: str, client: int, request: int) -> None:
        """Open a night, once that is in the ledger."""
        world = self._world
        if world.night is not None:
            refusal = Refusal(
                "night",
                f"a night is open already, since {world.night.date}",
                "Close it first, or go on with it.",
            )
            world.emit(Answer(client, refused_body(request, (refusal,))))
            return

        def done(appended: Appended) -> Body:
            night = appended.night
            for prop in world.props.values():
                prop.cycles_tonight = prop.missed_tonight = 0
            world.touch_all_props()
            return ok_body(request, {"night": night and night.night_id})

        entry = NightOpened(world.now.wall_ns, by)
        durably(world, self._recorder, client, request, entry, done=done)

    def close(self, by: str, client: int, request: int) -> None:
        """End the open night."""
        world = self._world

        def done(_: Appended) -> Body:
            for at in world.controllers.values():
                at.session.replace()
            return ok_body(request)

        self._before_closing()
        entry = NightClosed(world.now.wall_ns, by)
        durably(world, self._recorder, client, request, entry, done=done)

    def came(self, client: int, kind: str, name: str) -> None:
        """A client said who it is."""
        self._world.clients[client] = name
        if kind == "console":
            self._world.consoles[client] = name
            self._world.touch("site")

    def left(self, client: int) -> None:
        """A client is gone."""
        world = self._world
        world.clients.pop(client, None)
        if world.consoles.pop(client, None) is None:
            return
        world.touch("site")
        if world.consoles or world.ending:
            return
        self._unwatched_since_ms = world.now.mono_ms
        in_use = world.night is not None or any(
            world.state_of(p) in ARMED_STATES for p in world.props.values()
        )
        if world.site.rules.stop_when_last_console_closes and in_use and not world.latch.latched:
            self._stop_all("the last console was closed", "")

    def tick(self) -> None:
        """Notice a night that nobody watches, and an engine that nobody needs."""
        world = self._world
        if world.consoles:
            self._unwatched_since_ms = None
            if self.unwatched:
                self.unwatched = False
                world.alarms.end(Kind.NO_CONSOLE, "site")
            return
        if self._unwatched_since_ms is None:
            self._unwatched_since_ms = world.now.mono_ms
        away = world.now.mono_ms - self._unwatched_since_ms
        if world.night is not None and away >= UNWATCHED_MS:
            if not self.unwatched:
                self.unwatched = True
                world.raise_alarm(Kind.NO_CONSOLE, "site", "no console has been open for a minute")
                self._recorder.event("no-console", "site")
                if world.site.rules.disarm_without_console:
                    self._disarm_all()
        elif self.unwatched:
            self.unwatched = False
            world.alarms.end(Kind.NO_CONSOLE, "site")
        if self._auto and world.night is None and away >= AUTO_END_MS and not world.ending:
            world.ending = "no console for ten minutes and no night open"
            world.emit(End(world.ending))
