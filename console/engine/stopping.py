"""All-stop: every line first, then the latch, its file, the ledger, the views; then the clear.

The stop goes out again until every controller has confirmed it in a frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from console.engine.durably import durably, ok_body, refused_body
from console.engine.effects import Answer, SaveLatch, StopLines
from console.engine.latchrecord import record_of
from console.engine.lines import Ports
from console.engine.recording import Recorder
from console.engine.world import World
from console.ledger.entries import EventEntry
from console.rules.alarms import Kind
from console.rules.latch import PATIENCE_MS, Latch, progress_of
from console.site.models import DeEnergised
from console.views.models import Asked, Confirmation, StopProgress, StopView
from drivers.messages import Clear, Hex32

AGAIN_MS = 100.0
AGAIN_LATER_MS = 500.0


@dataclass(slots=True)
class _Watcher:
    """A connection on the stop socket that wants to hear of every controller once."""

    client: int
    since_ms: float
    told: dict[str, bool] = field(default_factory=dict)


class Stopping:
    """The all-stop of one site."""

    def __init__(self, world: World, recorder: Recorder, ports: Ports) -> None:
        self._world = world
        self._recorder = recorder
        self._ports = ports
        self._again_ms = world.now.mono_ms
        self._watchers: list[_Watcher] = []
        self._unsure: set[str] = set()
        self.file_trouble = ""

    # --- stop ---------------------------------------------------------------------------------

    def stop_all(
        self,
        source: str,
        by: str,
        *,
        sent_ms: float | None = None,
        answer_to: int | None = None,
    ) -> None:
        """Stop everything. With `sent_ms` the stop bytes are out already."""
        world = self._world
        now = world.now
        if sent_ms is None:
            world.effects.insert(0, StopLines())
        before = world.latch
        world.latch = before.stop(world.new_id(), source, by, now.wall_ns, tuple(world.controllers))
        new = world.latch is not before
        if new:
            world.stop_ms, world.sent_ms = now.mono_ms, sent_ms
            self._unsure.clear()
        for keeper in self._ports.keepers.values():
            keeper.line.stop(world.latch.id)
        self._again_ms = now.mono_ms + AGAIN_MS
        for prop in world.props.values():
            prop.asked = Asked.NOTHING
        if new:
            for at in world.controllers.values():
                at.stray_stop = 0
                world.alarms.end(Kind.STRAY_STOP, at.name)
            world.emit(SaveLatch(record_of(world.latch)))
        self._recorder.event(
            "all-stop" if new else "all-stop-again", "site", by, source=source, stop=world.latch.id
        )
        world.touch("stop", "site")
        world.touch_all_props()
        if answer_to is not None:
            self._watch(answer_to, sent_ms)

    def confirmed(self, controller: str) -> None:
        """A controller said in a frame that it is stopped under the latched id."""
        world = self._world
        before = world.latch
        world.latch = before.confirm(controller, world.now.mono_ms - world.stop_ms)
        if world.latch is before:
            return
        world.touch("stop")
        self._tell_watchers()
        if all(part.confirmed or part.left_out for part in world.latch.parts.values()):
            self._recorder.event("all-stop-confirmed", "site", stop=world.latch.id)

    def tick(self) -> None:
        """Send the stop again, and say who has not confirmed."""
        world = self._world
        now_ms = world.now.mono_ms
        latch = world.latch
        if not (latch.latched or self._unsure or self._watchers):
            return
        if latch.latched and now_ms >= self._again_ms:
            since = now_ms - world.stop_ms
            self._again_ms = now_ms + (AGAIN_MS if since < PATIENCE_MS else AGAIN_LATER_MS)
            silent = {n for n, part in latch.parts.items() if not part.confirmed}
            if silent:
                self._send_again(silent)
        self._judge_unsure()
        self._tell_watchers()

    def _send_again(self, silent: set[str]) -> None:
        world = self._world
        for keeper in self._ports.keepers.values():
            sessions = [
                at.session
                for at in world.controllers.values()
                if at.name in silent and at.session in keeper.line.sessions
            ]
            if sessions and keeper.is_open:
                keeper.line.send_stop_byte()
                for session in sessions:
                    session.stop(world.latch.id)

    def _judge_unsure(self) -> None:
        world = self._world
        since = world.now.mono_ms - world.stop_ms
        unsure = {
            name
            for name, part in world.latch.parts.items()
            if progress_of(part, since, PATIENCE_MS) is StopProgress.NOT_CONFIRMED
        }
        for name in unsure - self._unsure:
            where = world.site.controller(name).isolate or world.site.controller(name).where
            world.raise_alarm(
                Kind.STOP_NOT_CONFIRMED, name, f"{name} has not confirmed the all-stop ({where})"
            )
        for name in self._unsure - unsure:
            world.alarms.end(Kind.STOP_NOT_CONFIRMED, name)
        if unsure != self._unsure:
            self._unsure = unsure
            world.touch("stop")

    # --- clear --------------------------------------------------------------------------------

    def clear(self, stop: int, by: str, why: str, client: int, request: int) -> None:
        """Take on the clear of this stop; it happens once it is in the ledger."""
        world = self._world
        if not world.latch.latched:
            self._clear_strays(stop, by, why, client, request)
            return
        begun = world.latch.begin_clear(stop, world.open_stop_inputs())
        if not isinstance(begun, Latch):
            world.emit(Answer(client, refused_body(request, begun)))
            return
        world.latch = begun
        world.touch("stop")
        entry = EventEntry("clear", "site", {"stop": stop, "why": why}, world.now.wall_ns, by)
        durably(
            world, self._recorder, client, request, entry,
            done=lambda _: self._finish(stop, request),
            withdraw=lambda _: self._abandon(stop),
        )  # fmt: skip

    def leave_out(self, controller: str, by: str, client: int, request: int) -> None:
        """Leave a controller out of the clear, by name, once that is in the ledger."""
        world = self._world

        def done(_: object) -> Mapping[str, object]:
            world.latch = world.latch.leave_out(controller)
            world.emit(SaveLatch(record_of(world.latch)))
            self._judge_unsure()
            world.touch("stop")
            return ok_body(request)

        entry = EventEntry("left-out", controller, {"stop": world.latch.id}, world.now.wall_ns, by)
        durably(world, self._recorder, client, request, entry, done=done, withdraw=lambda _: None)

    def _finish(self, stop: int, request: int) -> Mapping[str, object]:
        world = self._world
        before = world.latch
        world.latch = before.finish_clear(stop)
        if world.latch is before:
            refusals = world.latch.clear_refusals(world.open_stop_inputs(), stop)
            return refused_body(request, refusals)
        world.emit(SaveLatch(record_of(world.latch)))
        for at in world.controllers.values():
            at.session.latched_stop = 0
            if at.heard_of and at.name not in world.latch.kept_out:
                at.session.ask(("clear", stop), Clear, Hex32(stop))
        self._judge_unsure()
        world.touch("stop", "site")
        world.touch_all_props()
        return ok_body(request, {"cleared": stop})

    def _abandon(self, stop: int) -> None:
        self._world.latch = self._world.latch.abandon_clear(stop)
        self._world.touch("stop")

    def _clear_strays(self, stop: int, by: str, why: str, client: int, request: int) -> None:
        """Clear the stop of boards that are stopped while the site is not."""
        world = self._world
        found = [at for at in world.controllers.values() if at.stray_stop and at.heard_of]
        meant = [at for at in found if at.stray_stop == stop]
        inputs = world.open_stop_inputs()
        if not meant or inputs:
            refusals = world.latch.clear_refusals(inputs, stop)
            if meant:
                refusals = tuple(r for r in refusals if r.check != "stop_id")
            world.emit(Answer(client, refused_body(request, refusals)))
            return
        for at in meant:
            at.session.latched_stop = 0
            at.session.ask(("clear", stop), Clear, Hex32(stop))
            world.latch = world.latch.let_in(at.name)
        self._recorder.event("clear", ", ".join(at.name for at in meant), by, stop=stop, why=why)
        world.emit(Answer(client, ok_body(request, {"cleared": stop})))

    # --- what is shown ------------------------------------------------------------------------

    def saved(self, trouble: str) -> None:
        """The latch file was written, or not."""
        if trouble:
            text = f"the latch file cannot be written: {trouble}"
            self._world.raise_alarm(Kind.LATCH_FILE, "latch", text)
        else:
            self._world.alarms.end(Kind.LATCH_FILE, "latch")

    def left(self, client: int) -> None:
        """A connection of the stop socket is gone."""
        self._watchers = [w for w in self._watchers if w.client != client]

    def view(self) -> StopView:
        """Key `stop`."""
        world = self._world
        latch = world.latch
        since = world.now.mono_ms - world.stop_ms
        strays = [at for at in world.controllers.values() if at.stray_stop]
        if not latch.latched:
            return StopView(
                latched=False,
                id=strays[0].stray_stop if strays else 0,
                strays=tuple(at.name for at in strays),
            )
        return StopView(
            latched=True,
            id=latch.id,
            source=latch.source,
            by=latch.by,
            at_wall_ns=latch.at_wall_ns,
            sent_ms=world.sent_ms,
            confirmations=tuple(
                Confirmation(
                    name,
                    world.site.controller(name).where,
                    progress_of(part, since, PATIENCE_MS),
                    part.after_ms,
                )
                for name, part in latch.parts.items()
                if name in world.controllers
            ),
            warnings=self._warnings(),
            clear_refusals=latch.clear_refusals(world.open_stop_inputs()),
        )

    def _warnings(self) -> tuple[str, ...]:
        """What falls or holds where the air is gone, by name."""
        found = []
        for prop in self._world.site.props:
            for motion in prop.motions:
                if motion.de_energised is DeEnergised.RETURNS and not motion.says:
                    continue
                verb = {
                    DeEnergised.DROPS: "drops",
                    DeEnergised.HOLDS: "holds, with air trapped",
                    DeEnergised.RETURNS: "returns",
                }[motion.de_energised]
                text = motion.says or f"{prop.title}: {motion.title or motion.name} {verb}"
                found.append(f"{text} (isolate: {motion.isolate})" if motion.isolate else text)
        return tuple(found)

    # --- the stop socket ----------------------------------------------------------------------

    def _watch(self, client: int, sent_ms: float | None) -> None:
        world = self._world
        lines = sum(keeper.is_open for keeper in self._ports.keepers.values())
        body = {
            "stopping": world.latch.id,
            "sent_ms": sent_ms,
            "lines": lines,
            "controllers": list(world.latch.parts),
        }
        world.emit(Answer(client, body, on_stop_socket=True))
        self._watchers = [w for w in self._watchers if w.client != client]
        self._watchers.append(_Watcher(client, world.now.mono_ms))
        self._tell_watchers()

    def _tell_watchers(self) -> None:
        world = self._world
        for watcher in list(self._watchers):
            waited = world.now.mono_ms - watcher.since_ms
            for name, part in world.latch.parts.items():
                if name in watcher.told or not (part.confirmed or waited >= PATIENCE_MS):
                    continue
                watcher.told[name] = part.confirmed
                body = {
                    "controller": name,
                    "where": world.site.controller(name).where,
                    "progress": "confirmed" if part.confirmed else "not confirmed",
                    "ms": part.after_ms if part.confirmed else None,
                }
                world.emit(Answer(watcher.client, body, on_stop_socket=True))
            if len(watcher.told) >= len(world.latch.parts):
                self._watchers.remove(watcher)
                count = sum(watcher.told.values())
                done = {"done": True, "confirmed": count, "of": len(watcher.told)}
                world.emit(Answer(watcher.client, done, on_stop_socket=True))
