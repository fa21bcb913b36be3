"""Free air that props take and a compressor gives, from what the site file says.

Free air is at 14.7 psia and 68 degF, counted in scf. Pressures are gauge.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from console.figures.air import ATMOSPHERE_PSIA
from console.figures.receiver import GALLONS_PER_FT3
from console.rules.physics.motion import air_of, pressure_of
from console.site.models import Compressor, Motion, Prop, Site, Step, Tank

_CLEARANCE = 0.05
_POLYTROPIC = 1.3


@dataclass(frozen=True, slots=True)
class PropUse:
    """What one prop takes on average. `cycle_scf` is one run of its default sequence."""

    prop: str
    cycle_scf: float
    cycles_per_min: float
    idle_scfm: float

    @property
    def scfm(self) -> float:
        """Cycles and idle movement together."""
        return self.cycle_scf * self.cycles_per_min + self.idle_scfm


@dataclass(frozen=True, slots=True)
class SiteUse:
    """What the site takes at one headway, prop by prop, the hungriest first."""

    headway_s: float
    props: tuple[PropUse, ...]
    leak_scfm: float

    @property
    def total_scfm(self) -> float:
        """Props and leak together."""
        return sum(use.scfm for use in self.props) + self.leak_scfm

    @property
    def group_scf(self) -> float:
        """What one group costs: every prop once, without idle movement and leak."""
        return sum(use.cycle_scf for use in self.props)


def delivered_scfm(compressor: Compressor, psi: float) -> float:
    """What a compressor delivers against a pressure, from its rating at another.

    A piston compressor fills less of its stroke the higher it presses: 1 + c - c r^(1/n), with a
    clearance c of 5 % and n = 1.3.

    Source: volumetric efficiency of a piston compressor, any textbook of thermodynamics; the
    clearance is from memory.
    """
    return compressor.delivers_scfm * _filled(psi) / _filled(compressor.at_psi)


def _filled(psi: float) -> float:
    ratio = (max(psi, 0.0) + ATMOSPHERE_PSIA) / ATMOSPHERE_PSIA
    return max(1 + _CLEARANCE - _CLEARANCE * float(ratio ** (1 / _POLYTROPIC)), 0.05)


def tank_ft3(tank: Tank) -> float:
    """The volume of a tank in cubic feet."""
    return tank.volume_gal / GALLONS_PER_FT3


def tank_scf_per_psi(tank: Tank) -> float:
    """The free air that a tank gives for each psi that it falls: V / 14.7."""
    return tank_ft3(tank) / ATMOSPHERE_PSIA


def need_psi(site: Site) -> float:
    """The pressure under which the first prop goes short; 0 where no prop says."""
    return max((prop.min_air_psi for prop in site.props if prop.motions), default=0.0)


def sequence_scf(prop: Prop, sequence: str, tank_psi: float | None = None) -> float:
    """The free air of one run of a sequence, at the set pressure or what the tank still gives.

    Raises:
        KeyError: The prop has no such sequence.
        FigureError: A cylinder is impossible.
    """
    at = working_psi(prop, tank_psi)
    return 0.0 if at is None else _steps_scf(prop, prop.sequence(sequence).steps, at)


def idle_scf(prop: Prop, tank_psi: float | None = None) -> float:
    """The free air of one idle movement.

    Raises:
        FigureError: A cylinder is impossible.
    """
    at = working_psi(prop, tank_psi)
    return 0.0 if at is None or prop.idle is None else _steps_scf(prop, prop.idle.steps, at)


def working_psi(prop: Prop, tank_psi: float | None) -> float | None:
    """What reaches a prop: its set pressure, and never more than the tank holds."""
    set_psi = pressure_of(prop)
    if tank_psi is None:
        return set_psi
    return tank_psi if set_psi is None else min(set_psi, max(tank_psi, 0.0))


def site_use(site: Site, headway_s: float) -> SiteUse:
    """What the site takes with a group every `headway_s`, each prop running its default sequence.

    A prop that still runs or rests when the next group comes lets it pass.

    Raises:
        FigureError: A cylinder is impossible.
    """
    uses = []
    for prop in site.props:
        sequence = prop.sequence(prop.default_sequence)
        busy_s = (sequence.length_ms + prop.rest_ms) / 1000
        groups = max(1, -(-busy_s // headway_s))
        idle_scfm = 0.0
        if prop.idle is not None:
            between_ms = (prop.idle.between_min_ms + prop.idle.between_max_ms) / 2
            waiting = max(0.0, 1 - busy_s / (headway_s * groups))
            every_ms = prop.idle.length_ms + between_ms
            idle_scfm = waiting * idle_scf(prop) * 60_000 / every_ms
        cycle = sequence_scf(prop, sequence.name)
        uses.append(PropUse(prop.name, cycle, 60 / (headway_s * groups), idle_scfm))
    uses.sort(key=lambda use: (-use.scfm, use.prop))
    return SiteUse(headway_s, tuple(uses), site.air.leak_scfm or 0.0)


@lru_cache(maxsize=256)
def _at_two(motion: Motion) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Out and back at 0 and at 100 psi: free air goes straight with pressure."""
    low, high = air_of(motion, 0.0), air_of(motion, 100.0)
    if low is None or high is None:
        return None
    return (low.out_scf, low.back_scf), (high.out_scf, high.back_scf)


@dataclass(frozen=True, slots=True)
class Strokes:
    """Free air of a whole stroke out and of one back."""

    out_scf: float
    back_scf: float


def strokes_of(motion: Motion, psi: float) -> Strokes:
    """The free air of a motion's strokes at a pressure; none without a cylinder.

    Raises:
        FigureError: The cylinder is impossible.
    """
    known = _at_two(motion)
    if known is None:
        return Strokes(0.0, 0.0)
    (low_out, low_back), (high_out, high_back) = known
    share = psi / 100
    return Strokes(
        low_out + share * (high_out - low_out), low_back + share * (high_back - low_back)
    )


def place_after(motion: Motion, place: float, on: bool, elapsed_ms: float) -> float:
    """How far out a motion is, 0 home to 1 out, some time after its output was switched."""
    if on:
        return min(1.0, place + elapsed_ms / motion.travel_ms)
    return max(0.0, place - elapsed_ms / motion.return_ms)


def _steps_scf(prop: Prop, steps: Iterable[Step], psi: float) -> float:
    """Play the steps, with motions as far out as their stated times let them come."""
    total = 0.0
    played = tuple(steps)
    for motion in prop.motions:
        used = strokes_of(motion, psi)
        place, on, since = 0.0, False, 0
        for step in played:
            if step.output != motion.output or step.on == on:
                continue
            reached = place_after(motion, place, on, step.at_ms - since)
            total += _moved(used, place, reached)
            place, on, since = reached, step.on, step.at_ms
        # What is still under way when the sequence ends comes to its end.
        total += _moved(used, place, 1.0 if on else 0.0)
        total += _moved(used, 1.0, 0.0) if on else 0.0
    return total


def _moved(used: Strokes, before: float, after: float) -> float:
    return (after - before) * used.out_scf if after > before else (before - after) * used.back_scf
