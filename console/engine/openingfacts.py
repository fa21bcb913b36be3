"""What the opening check is judged by: tonight's tests, stops and pressure as they come in."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from console.engine.world import PropNow, World
from console.rules.latch import PATIENCE_MS
from console.rules.openingjudge import PropSeen, Seen
from console.site.models import TriggerSource
from console.views.models import LinkState, PropState


@dataclass(slots=True)
class _Tests:
    """Tests of one prop: how many, the newest travels, and up to when its cycles were looked at.

    Not by their numbers: those begin anew on another board.
    """

    count: int = 0
    travels: dict[tuple[str, str], int] = field(default_factory=dict)
    until_ns: int = 0


class Facts:
    """Gathers them over one night."""

    def __init__(self, world: World, leak_test_ns: int) -> None:
        self._world = world
        self.leak_test_ns = leak_test_ns
        self.stop_key = ""
        self.pressed: set[str] = set()
        self._tests: dict[str, _Tests] = {}

    def begin(self) -> None:
        """Another night."""
        self.stop_key = ""
        self.pressed.clear()
        self._tests.clear()

    def begin_prop(self, prop: str) -> None:
        """What this prop was tested before no longer counts."""
        self._tests.pop(prop, None)

    def seen(self, props: Collection[str], since: Mapping[str, int]) -> Seen:
        """What is known now, of the props asked for; their tests count from `since` (wall ns)."""
        world = self._world
        night = world.night
        opened_ns = night.opened_wall_ns if night else 0
        stopped, stop_ms, silent = self._stop(opened_ns)
        return Seen(
            now_ns=world.now.wall_ns,
            props={
                name: self._prop(world.props[name], max(opened_ns, since.get(name, 0)))
                for name in props
            },
            psi=world.pressure_psi(),
            tags=tuple(
                f"{name}: {', '.join(owners)}"
                for name in world.props
                if (owners := world.tags.owners(name))
            ),
            leak_test_ns=self.leak_test_ns,
            stopped=stopped,
            stop_ms=stop_ms,
            stop_silent=silent,
            stop_key=self.stop_key,
            pressed=frozenset(self.pressed),
            open_now=frozenset(world.open_stop_inputs()),
        )

    def _prop(self, prop: PropNow, since_ns: int) -> PropSeen:
        tests = self._tests.setdefault(prop.name, _Tests())
        for cycle in reversed(prop.last_cycles):
            if cycle.started_wall_ns <= tests.until_ns:
                continue
            tests.until_ns = cycle.started_wall_ns
            if (
                cycle.trigger == TriggerSource.TEST.value
                and cycle.outcome == "done"
                and cycle.started_wall_ns >= since_ns
            ):
                tests.count += 1
                tests.travels |= {(motion, way): ms for motion, way, ms in cycle.travels}
        online = self._world.state_of(prop) is not PropState.OFFLINE
        live = self._world.controller_of(prop).link is LinkState.LIVE
        return PropSeen(online, online and live, tests.count, dict(tests.travels))

    def _stop(self, opened_ns: int) -> tuple[bool, float | None, tuple[str, ...]]:
        """Whether tonight's stop stands, its slowest confirmation, and who was late."""
        world, latch = self._world, self._world.latch
        if not latch.latched or latch.at_wall_ns < opened_ns:
            return False, None, ()
        over = world.now.mono_ms - world.stop_ms > PATIENCE_MS
        silent = tuple(
            name
            for name, part in latch.parts.items()
            if part.left_out
            or (part.after_ms or 0.0) > PATIENCE_MS
            or (over and not part.confirmed)
        )
        times = [part.after_ms for part in latch.parts.values() if part.confirmed]
        known = [ms for ms in times if ms is not None]
        whole = not silent and len(known) == len(latch.parts)
        return True, max(known, default=0.0) if whole else None, silent
