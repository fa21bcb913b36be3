"""Whether supplies bear what may be on at once, and coils get their voltage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from console.figures.coil import (
    DROP_PROBLEM_PERCENT,
    DROP_WARN_PERCENT,
    CoilOn,
    Peak,
    current_a,
    sequence_peak,
    usable_a,
    wire_drop_v,
    worst_overlap,
)
from console.rules.physics.motion import coil_current_a, coil_voltage_v
from console.rules.physics.pushing import motions
from console.rules.physics.sizes import SUPPLIES_A, WIRES_AWG, next_size
from console.site.draft import Draft
from console.site.models import Motion, OutputKind, Prop, Sequence, Site, Supply
from console.site.problems import Problem, Severity


@dataclass(frozen=True, slots=True)
class Draw:
    """The most that one prop draws, and when in which sequence."""

    prop: str
    peak: Peak
    sequence: str


@dataclass(frozen=True, slots=True)
class Burdened:
    """A supply with all its props at their peaks at once, which nothing prevents."""

    supply: Supply
    draws: tuple[Draw, ...]
    total_a: float

    @property
    def usable_a(self) -> float:
        """What it may carry for long."""
        return usable_a(self.supply.current_a)


def supplies_bear_it(draft: Draft) -> Iterator[Problem]:
    """Each supply carries the worst overlap of its props with a quarter in hand."""
    for supply in draft.site.supplies:
        if not draft.intact(("supplies", supply.name)):
            continue
        found = burden_of(draft.site, supply)
        if found.total_a <= found.usable_a * (1 + 1e-9):
            continue
        over = found.total_a > supply.current_a
        first = found.draws[0]
        size = next_size(found.total_a * supply.current_a / found.usable_a, SUPPLIES_A)
        bigger = f"take one of {size:g} A" if size else "split it into several"
        yield draft.problem(
            ("supplies", supply.name, "current"),
            f"supply {supply.name} may have to give {found.total_a:.2f} A when "
            f"{', '.join(d.prop for d in found.draws)} run together; of {supply.current_a:g} A "
            f"{found.usable_a:.2f} A are usable for long (125 % rule)",
            f"{bigger}, or move {first.prop} ({first.peak.current_a:.2f} A) to another supply",
            severity=Severity.PROBLEM if over else Severity.WARNING,
        )


def coils_get_their_voltage(draft: Draft) -> Iterator[Problem]:
    """What the wire loses leaves each coil its voltage."""
    for prop, motion, path in motions(draft):
        supply = supply_of(draft.site, prop)
        reaches = None if supply is None else coil_voltage_v(motion, supply)
        if supply is None or reaches is None or motion.valve is None or motion.wire is None:
            continue
        nominal = motion.valve.voltage_v or 0.0
        off = off_percent(reaches, nominal)
        if abs(off) < DROP_WARN_PERCENT:
            continue
        over = off > 0
        yield draft.problem(
            (*path, "wire") if not over else (*path, "valve", "voltage"),
            f"the coil of {motion.name} of {prop.name} gets {reaches:.1f} V of {nominal:g} V "
            f"({off:+.0f} %); {'+' if over else '-'}{DROP_WARN_PERCENT:g} % is where it begins to "
            "matter",
            f"a coil for {supply.voltage_v:g} V, or a supply of {nominal:g} V"
            if over
            else _thicker(motion, supply, nominal),
            at_key=not over,
            severity=Severity.PROBLEM if abs(off) >= DROP_PROBLEM_PERCENT else Severity.WARNING,
        )


def burden_of(site: Site, supply: Supply) -> Burdened:
    """The worst overlap of the props on a supply, the hungriest first."""
    draws = {}
    for prop in site.props:
        if supply_of(site, prop) == supply:
            draw = draw_of(prop, supply)
            if draw.peak.current_a > 0:
                draws[prop.name] = draw
    worst = worst_overlap({name: draw.peak.current_a for name, draw in draws.items()})
    together = sorted(
        (draws[name] for name in worst.props), key=lambda d: (-d.peak.current_a, d.prop)
    )
    return Burdened(supply, tuple(together), worst.current_a)


def draw_of(prop: Prop, supply: Supply) -> Draw:
    """The most that a prop draws in any of its sequences."""
    currents = {}
    for motion in prop.motions:
        currents[motion.output] = coil_current_a(motion) or 0.0
    for output in prop.outputs:
        if output.power_w:
            currents[output.output] = current_a(output.power_w, supply.voltage_v)
    best = Draw(prop.name, Peak(0.0, 0.0), "")
    for sequence in prop.sequences:
        peak = sequence_peak(_on_times(prop, sequence, currents))
        if peak.current_a > best.peak.current_a:
            best = Draw(prop.name, peak, sequence.name)
    return best


def supply_of(site: Site, prop: Prop) -> Supply | None:
    """The supply of a prop's coils; None where the file names none."""
    names = {s.name: s for s in site.supplies}
    return next(
        (names.get(c.supply or "") for c in site.controllers if c.name == prop.controller), None
    )


def off_percent(reaches_v: float, nominal_v: float) -> float:
    """How far a coil's voltage lies from its own, in percent; below 0 is too little."""
    return 100 * (reaches_v - nominal_v) / nominal_v if nominal_v else 0.0


def _on_times(prop: Prop, sequence: Sequence, currents: dict[int, float]) -> Iterator[CoilOn]:
    """When each output is on. Lights and dump valves that stay on do so past the end."""
    stay = {o.output for o in prop.outputs if o.kind is OutputKind.DUMP}
    stay |= {o.output for o in prop.outputs if o.kind is OutputKind.LIGHT and o.at_stop != "off"}
    for output, current in currents.items():
        since: float | None = None
        ever = False
        for step in sequence.steps:
            if step.output != output:
                continue
            if step.on and since is None:
                since = step.at_ms
            elif not step.on and since is not None:
                yield CoilOn(since, step.at_ms, current)
                since = None
            ever = True
        if since is not None:
            yield CoilOn(since, sequence.length_ms, current)
        elif not ever and output in stay:
            # Switched by another sequence before, and not by this one.
            yield CoilOn(0, sequence.length_ms, current)


def _thicker(motion: Motion, supply: Supply, nominal_v: float) -> str:
    assert motion.wire is not None
    current = coil_current_a(motion) or 0.0
    for awg in WIRES_AWG:
        if awg >= motion.wire.awg:
            continue
        left = supply.voltage_v - wire_drop_v(awg, motion.wire.length_ft, current)
        if off_percent(left, nominal_v) > -DROP_WARN_PERCENT:
            return f"AWG {awg} wire, or a shorter run"
    return f"set the supply above {supply.voltage_v:g} V, or move it nearer"


CHECKS = (supplies_bear_it, coils_get_their_voltage)
