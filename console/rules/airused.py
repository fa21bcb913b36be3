"""Free air that a prop took in a night, from what its board counted.

Runs of a sequence take what its steps take; strokes beyond those of the runs are idle movement, or
made by hand. Free air is at 14.7 psia and 68 degF, counted in scf.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from console.rules.airuse import idle_scf, sequence_scf, strokes_of
from console.rules.physics.motion import pressure_of
from console.site.models import Motion, Prop, Step


@dataclass(frozen=True, slots=True)
class PropAir:
    """What one prop took at one pressure.

    `runs_scf` and `strokes_scf` are None where the site file names no cylinder or no pressure.
    `unknown_runs` are runs of sequences that the site file does not have, not counted in `runs`.
    """

    runs: int
    psi: float | None
    runs_scf: float | None
    strokes: int
    strokes_scf: float | None
    unknown_runs: int

    @property
    def scf(self) -> float | None:
        """Runs and other strokes together."""
        if self.runs_scf is None or self.strokes_scf is None:
            return None
        return self.runs_scf + self.strokes_scf


def air_of_night(
    prop: Prop, runs: Mapping[str, int], strokes: Mapping[str, int], gauge_psi: float | None
) -> PropAir:
    """What a prop took, from runs by sequence and the board's count of strokes by motion.

    `gauge_psi` is what its gauge read that night; without it the site file's pressure counts.

    Raises:
        FigureError: A cylinder is impossible.
    """
    names = {sequence.name for sequence in prop.sequences}
    known = {name: count for name, count in runs.items() if name in names}
    beyond = {m.name: _beyond(prop, m, known, strokes) for m in prop.motions}
    unknown = sum(runs.values()) - sum(known.values())
    psi = gauge_psi if gauge_psi is not None else pressure_of(prop)
    if psi is None or not any(motion.cylinder for motion in prop.motions):
        return PropAir(sum(known.values()), psi, None, sum(beyond.values()), None, unknown)
    fed = prop.model_copy(update={"set_pressure_psi": psi})
    return PropAir(
        runs=sum(known.values()),
        psi=psi,
        runs_scf=sum(count * sequence_scf(fed, name) for name, count in known.items()),
        strokes=sum(beyond.values()),
        strokes_scf=sum(beyond[m.name] * _other_scf(fed, m, psi) for m in prop.motions),
        unknown_runs=unknown,
    )


def starts(steps: Iterable[Step], output: int) -> int:
    """How often the steps switch an output on."""
    found, on = 0, False
    for step in steps:
        if step.output == output and step.on != on:
            on = step.on
            found += on
    return found


def _beyond(prop: Prop, motion: Motion, runs: Mapping[str, int], strokes: Mapping[str, int]) -> int:
    of_runs = sum(
        count * starts(prop.sequence(name).steps, motion.output) for name, count in runs.items()
    )
    return max(0, strokes.get(motion.name, 0) - of_runs)


def _other_scf(prop: Prop, motion: Motion, psi: float) -> float:
    """One stroke as idle movement makes it; a whole one of a motion that has none."""
    each = starts(prop.idle.steps, motion.output) if prop.idle is not None else 0
    if each:
        return idle_scf(prop.model_copy(update={"motions": (motion,)})) / each
    whole = strokes_of(motion, psi)
    return whole.out_scf + whole.back_scf
