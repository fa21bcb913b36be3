"""What people write down in the night, pauses, and handing the desk over."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from console.engine.badrequest import BadRequest, text_of
from console.engine.durably import Body, durably, ok_body
from console.engine.recording import Recorder
from console.engine.world import ARMED_STATES, PropNow, World
from console.ledger.entries import EventEntry

LOOK_BACK_NS = 120 * 10**9
"""What happened this long before a note is kept with it."""
LONGEST_TEXT = 400
Result = Mapping[str, object]


class Notebook:
    """Notes, incidents, pauses and handovers of one engine."""

    def __init__(self, world: World, recorder: Recorder, disarm: Callable[[PropNow], None]) -> None:
        self._world = world
        self._recorder = recorder
        self._disarm = disarm

    def note(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """Write down a note, or an incident, with what happened in the two minutes before it.

        A prop with an incident is disarmed and left out when props are armed again, until it is
        armed by itself.
        """
        world = self._world
        subject = str(args.get("prop") or "site")
        if subject != "site" and subject not in world.props:
            raise BadRequest(f"there is no prop {subject[:40]!r}")
        incident = args.get("incident") is True
        since = world.now.wall_ns - LOOK_BACK_NS
        before = [
            {"at_ns": at, "kind": kind, "subject": about}
            for at, kind, about in self._recorder.recent
            if at >= since
        ]
        if incident and subject in world.props:
            self._disarm(world.props[subject])
            world.incidents.add(subject)
        entry = EventEntry(
            "incident" if incident else "note", subject,
            {"text": text_of(args, "text")[:LONGEST_TEXT], "before": before},
            world.now.wall_ns, text_of(args, "by")[:60],
        )  # fmt: skip
        durably(
            world, self._recorder, client, request, entry,
            done=lambda _: ok_body(request, {"kept": len(before)}),
        )  # fmt: skip

    def pause(self, args: Mapping[str, object]) -> Result:
        """Disarm everything and hold the groups; what was armed is kept in mind."""
        world = self._world
        if world.paused is not None:
            raise BadRequest("the night is paused already", "Resume it when it may go on.")
        if world.night is None:
            raise BadRequest("no night is open", "Disarm everything instead.")
        by, why = text_of(args, "by")[:60], text_of(args, "why")[:LONGEST_TEXT]
        armed = [n for n, p in world.props.items() if world.state_of(p) in ARMED_STATES]
        armed += [n for n in world.armed_before if n not in armed]
        for prop in world.props.values():
            self._disarm(prop)
        world.paused = tuple(armed)
        self._recorder.event("pause", "site", by, why=why, armed=armed)
        world.touch("site")
        world.touch_all_props()
        return {"disarmed": armed}

    def resume(self, args: Mapping[str, object]) -> Result:
        """Let the night go on: what was armed at the pause is offered for arming again."""
        world = self._world
        if world.paused is None:
            raise BadRequest("the night is not paused", "Nothing needs to be done.")
        by = text_of(args, "by")[:60]
        armed, world.paused = world.paused, None
        for name in armed:
            world.armed_before.setdefault(name, None)
        self._recorder.event("resume", "site", by, armed=list(armed))
        world.touch("site")
        world.touch_all_props()
        return {"offered": list(armed)}

    def hand_over(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """One shift hands the desk to the next, with what stands open, under both names."""
        world = self._world
        open_now = standing(world)
        entry = EventEntry(
            "handover", "site",
            {"to": text_of(args, "to")[:60], "text": str(args.get("note") or "")[:LONGEST_TEXT],
             **open_now},
            world.now.wall_ns, text_of(args, "by")[:60],
        )  # fmt: skip

        def done(_: object) -> Body:
            return ok_body(request, open_now)

        durably(world, self._recorder, client, request, entry, done=done)

    def tick(self) -> None:
        """Pause and incidents end with the night."""
        world = self._world
        if world.night is None and (world.incidents or world.paused is not None):
            world.incidents.clear()
            world.paused = None
            world.touch("site")
            world.touch_all_props()


def standing(world: World) -> dict[str, object]:
    """What the next shift must know: tags, props left out, overrides, incidents, open alarms."""
    return {
        "tags": {name: list(owners) for name in world.props if (owners := world.tags.owners(name))},
        "not_armed": [
            name for name, p in world.props.items() if world.state_of(p) not in ARMED_STATES
        ],
        "overrides": {name: dict(by) for name, by in world.overrides.items()},
        "incidents": sorted(world.incidents),
        "service_due": [name for name, p in world.props.items() if p.service_due],
        "alarms": [alarm.text for alarm in world.alarms.standing()],
    }
