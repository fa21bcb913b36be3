"""The air of the running night: what outputs take, what the sensor says, what follows."""

from __future__ import annotations

from collections import deque
from dataclasses import asdict

from console.engine.recording import Recorder
from console.engine.world import World
from console.figures.inputs import FigureError
from console.ledger.entries import RunKind, RunTime
from console.rules.air import AirModel, Cause, Reading
from console.rules.airuse import delivered_scfm, sequence_scf, tank_scf_per_psi
from console.rules.airwatch import StrokeWatch
from console.rules.alarms import Kind
from console.views.models import AirPropView, AirView

LOOK_MS = 1000.0
SAMPLE_MS = 30_000.0
SAMPLES = 120
"""An hour of the tank's pressure for the screen."""
SOON_MIN = 15.0
"""So long ahead the alarm comes that the air will not last."""
RUN_MS = 600_000.0
"""The compressor's running is written down this often."""

_KINDS = {
    Cause.LEAK: Kind.LEAK,
    Cause.TIRED: Kind.TIRED,
    Cause.DEAD: Kind.COMPRESSOR,
}


class Air:
    """Follows the air of a site that has a compressor and a tank; does nothing for another."""

    def __init__(self, world: World, recorder: Recorder) -> None:
        self._world = world
        self._recorder = recorder
        self._model: AirModel | None = None
        self._watch: StrokeWatch | None = None
        site, now_ms = world.site, world.now.mono_ms
        try:
            if site.air.compressor is not None and site.air.tank is not None:
                self._watch = StrokeWatch(site)
                self._model = AirModel(site, now_ms)
                self._cycle_scf = {
                    p.name: sequence_scf(p, p.default_sequence) for p in site.props if p.motions
                }
        except FigureError:
            # `sexton check` names the impossible cylinder; the night goes on without a prediction.
            self._model = None
        self._looked_ms = now_ms
        self._sampled_ms = now_ms - SAMPLE_MS
        self._samples: deque[tuple[float, float]] = deque(maxlen=SAMPLES)
        self._ran_ms = 0.0
        self._ran_since_ms = now_ms
        self._reading: Reading | None = None
        self._found: frozenset[Cause] = frozenset()

    def outputs(self, controller: str, outputs: int) -> None:
        """A controller says which of its outputs are on."""
        if self._model is None or self._watch is None:
            return
        now_ms = self._world.now.mono_ms
        for prop in self._world.props_of(controller):
            for motion in prop.prop.motions:
                on = bool(outputs >> (motion.output - 1) & 1)
                if self._watch.seen(prop.name, motion.output) != on:
                    self._model.used(
                        self._watch.switched(prop.name, motion.output, on, now_ms, self._model.psi)
                    )

    def tick(self) -> None:
        """Look once a second: predict, correct, judge props and causes."""
        world = self._world
        now_ms = world.now.mono_ms
        if now_ms - self._looked_ms < LOOK_MS:
            return
        passed_ms, self._looked_ms = now_ms - self._looked_ms, now_ms
        measured = world.pressure_psi()
        self._judge_props(measured, now_ms)
        if self._model is None:
            return
        self._model.tick(now_ms, measured)
        self._reading = reading = self._model.reading()
        self._count_running(reading, passed_ms, now_ms)
        if now_ms - self._sampled_ms >= SAMPLE_MS:
            self._sampled_ms = now_ms
            self._samples.append((world.now.wall_ns / 1e9, round(reading.psi, 1)))
        self._judge(reading)
        world.touch("air")

    @property
    def measured_psi(self) -> float | None:
        """The gauge pressure that a sensor says now, None without one."""
        return None if self._reading is None else self._reading.measured_psi

    def view(self) -> AirView | None:
        """The air as consoles see it; None where nothing is predicted."""
        reading, air = self._reading, self._world.site.air
        if reading is None or self._watch is None or air.compressor is None or air.tank is None:
            return None
        return AirView(
            psi=round(reading.psi, 1),
            sigma_psi=round(reading.sigma_psi, 1),
            measured_psi=None if reading.measured_psi is None else round(reading.measured_psi, 1),
            compressor_on=reading.compressor_on,
            running_min=round(reading.running_min, 1),
            demand_scfm=round(reading.demand_scfm, 2),
            leak_scfm=round(reading.leak_scfm, 2),
            leak_sigma_scfm=round(reading.leak_sigma_scfm, 2),
            strength=round(reading.strength, 2),
            need_psi=reading.need_psi,
            minutes_left=None if reading.minutes_left is None else round(reading.minutes_left, 1),
            groups_left=round(min(reading.groups_left, 9999.0), 1),
            cut_in_psi=air.compressor.cut_in_psi,
            cut_out_psi=air.compressor.cut_out_psi,
            delivers_scfm=air.compressor.delivers_scfm,
            tank_gal=air.tank.volume_gal,
            findings=tuple(found.text for found in reading.findings),
            props=tuple(
                AirPropView(
                    name,
                    self._world.props[name].prop.title,
                    round(scf, 3),
                    round(self._watch.scf_by_prop[name], 2),
                )
                for name, scf in self._cycle_scf.items()
            ),
            history=tuple(self._samples),
        )

    def ready_in_ms(self, scf: float) -> float | None:
        """How long until the tank carries `scf` more of free air; None where nobody predicts it.

        A compressor that is off starts only below its cut-in: there waiting would bring nothing.
        """
        reading, air = self._reading, self._world.site.air
        if reading is None or air.compressor is None or air.tank is None:
            return None
        per_psi = tank_scf_per_psi(air.tank)
        highest = air.compressor.cut_out_psi if reading.compressor_on else air.compressor.cut_in_psi
        lacks_scf = (min(reading.need_psi + scf / per_psi, highest) - reading.psi) * per_psi
        if lacks_scf <= 0:
            return 0.0
        gives_scfm = delivered_scfm(air.compressor, reading.psi) * reading.strength
        return lacks_scf / max(gives_scfm - reading.leak_scfm, 0.1) * 60_000

    # --- inside -------------------------------------------------------------------------------

    def _judge_props(self, measured: float | None, now_ms: float) -> None:
        for prop in self._world.props.values():
            before = prop.low_air.low
            if prop.low_air.judge(measured, now_ms) is not before:
                self._world.touch(f"prop/{prop.name}")
                self._recorder.event(
                    "air", prop.name, low=prop.low_air.low,
                    psi=None if measured is None else round(measured, 1),
                    need_psi=prop.prop.min_air_psi,
                )  # fmt: skip
        short = [name for name, prop in self._world.props.items() if prop.low_air.low]
        needs = max((self._world.props[n].low_air.limit_psi for n in short), default=0.0)
        self._say(
            Kind.LOW_AIR,
            bool(short),
            f"too little air for {', '.join(short)}; {needs:.0f} psi are needed again",
        )

    def _judge(self, reading: Reading) -> None:
        world = self._world
        causes = frozenset(found.cause for found in reading.findings)
        for found in reading.findings:
            world.raise_alarm(_KINDS[found.cause], "air", found.text)
            if found.cause not in self._found:
                detail = asdict(found) | {"cause": found.cause.value}
                self._recorder.event("air", found.cause.value, **detail)
        for cause in self._found - causes:
            world.alarms.end(_KINDS[cause], "air")
            self._recorder.event("air", cause.value, over=True)
        self._found = causes
        self._say(
            Kind.NOT_CATCHING_UP,
            reading.not_catching_up,
            f"the compressor has run for {reading.running_min // 5 * 5:.0f} minutes and the tank "
            "is not full",
        )
        left = reading.minutes_left
        # Guesses without a sensor come and go; the alarm waits for what is likely.
        soon = left is not None and left <= SOON_MIN and world.night is not None
        self._say(
            Kind.AIR_SHORT,
            soon,
            f"at this pace the air is short in under {_fives(left or 0.0)} minutes "
            f"({reading.need_psi:.0f} psi are needed)",
        )

    def _say(self, kind: Kind, stands: bool, text: str) -> None:
        world = self._world
        if stands:
            if world.raise_alarm(kind, "air", text):
                self._recorder.event("air", kind.value, text=text)
        elif world.alarms.end(kind, "air"):
            self._recorder.event("air", kind.value, over=True)

    def _count_running(self, reading: Reading, passed_ms: float, now_ms: float) -> None:
        """The compressor's hours for its upkeep, only where a sensor tells when it runs."""
        if reading.compressor_on and reading.measured_psi is not None:
            self._ran_ms += passed_ms
        if now_ms - self._ran_since_ms >= RUN_MS:
            self._ran_since_ms = now_ms
            if self._ran_ms >= 1:
                self._recorder.append(
                    RunTime(
                        RunKind.RUNNING, "compressor", round(self._ran_ms),
                        self._world.now.wall_ns,
                    )
                )  # fmt: skip
                self._ran_ms = 0.0


def _fives(minutes: float) -> int:
    """Rounded up to five, so that the text does not change with every second."""
    return max(5, -(-int(minutes + 0.999) // 5) * 5)
