"""The free air of strokes as outputs are seen to switch."""

from __future__ import annotations

from dataclasses import dataclass

from console.rules.airuse import place_after, strokes_of, working_psi
from console.site.models import Motion, Prop, Site


@dataclass(slots=True)
class _Seen:
    on: bool = False
    place: float = 0.0
    since_ms: float = 0.0


class StrokeWatch:
    """How far out each motion is, by its stated times, and what its strokes take.

    A stroke that begins is counted whole; where it is reversed early, the rest is given back.
    """

    def __init__(self, site: Site) -> None:
        """Raises FigureError where a cylinder of the site is impossible."""
        self._motions: dict[tuple[str, int], tuple[Prop, Motion]] = {
            (prop.name, motion.output): (prop, motion)
            for prop in site.props
            for motion in prop.motions
        }
        self._seen = {key: _Seen() for key in self._motions}
        for _, motion in self._motions.values():
            strokes_of(motion, 0.0)
        self.scf_by_prop: dict[str, float] = dict.fromkeys((p.name for p in site.props), 0.0)
        """What each prop took since the start."""

    def switched(self, prop: str, output: int, on: bool, now_ms: float, tank_psi: float) -> float:
        """An output of a prop went on or off: the free air in scf, under 0 for air given back.

        Outputs that are no motions, and what was seen already, take none.
        """
        key = (prop, output)
        known = self._motions.get(key)
        if known is None or self._seen[key].on == on:
            return 0.0
        fitted, motion = known
        seen = self._seen[key]
        reached = place_after(motion, seen.place, seen.on, now_ms - seen.since_ms)
        used = strokes_of(motion, working_psi(fitted, tank_psi) or 0.0)
        scf = (1 - reached) * (used.out_scf if on else -used.out_scf)
        if on:
            # Reversed on its way home: the rest of that stroke was not made.
            scf -= reached * used.back_scf
        else:
            scf += reached * used.back_scf
        self._seen[key] = _Seen(on, reached, now_ms)
        self.scf_by_prop[prop] += scf
        return scf

    def seen(self, prop: str, output: int) -> bool:
        """Whether an output was last seen on."""
        known = self._seen.get((prop, output))
        return known is not None and known.on
