"""What the ledger needs for upkeep, and what upkeep says: hours armed, the air, worn props."""

from __future__ import annotations

from console.engine.air import Air
from console.engine.recording import Recorder
from console.engine.world import ARMED_STATES, World
from console.ledger.entries import Entry, RunKind, RunTime, Surroundings

WRITE_MS = 300_000.0
"""How often hours armed are written down; what a crash loses is less than this."""
AIR_MS = 60_000.0


class Wear:
    """Counts the time that props are armed, and shows which of them want somebody."""

    def __init__(self, world: World, recorder: Recorder, air: Air) -> None:
        self._world = world
        self._recorder = recorder
        self._air = air
        self._last_ms = self._written_ms = self._air_ms = world.now.mono_ms
        self._armed_ms: dict[str, float] = {}

    def tick(self) -> None:
        """Count on; now and then write down what was counted."""
        world = self._world
        now_ms = world.now.mono_ms
        passed_ms, self._last_ms = now_ms - self._last_ms, now_ms
        for name, prop in world.props.items():
            if prop.shown in ARMED_STATES:
                self._armed_ms[name] = self._armed_ms.get(name, 0.0) + passed_ms
        if now_ms - self._written_ms >= WRITE_MS:
            self.write()
        measured = self._air.measured_psi
        if world.night is not None and measured is not None and now_ms - self._air_ms >= AIR_MS:
            self._air_ms = now_ms
            self._recorder.append(Surroundings(world.now.wall_ns, psi=round(measured, 1)))

    def write(self) -> None:
        """Write down the hours counted so far: they belong to the night that is open now."""
        world = self._world
        self._written_ms = world.now.mono_ms
        entries: list[Entry] = [
            RunTime(RunKind.ARMED, name, round(ms), world.now.wall_ns)
            for name, ms in self._armed_ms.items()
            if ms >= 1
        ]
        self._armed_ms.clear()
        if entries:
            self._recorder.append(*entries)

    def looked(self, due: frozenset[str], slowing: frozenset[str]) -> None:
        """What a look at the ledger found, by names of props."""
        for name, prop in self._world.props.items():
            now = (name in due, name in slowing)
            if now != (prop.service_due, prop.slowing):
                prop.service_due, prop.slowing = now
                self._world.touch(f"prop/{name}")
