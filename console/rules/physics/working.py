"""The working behind the figures of a prop: formulas, numbers, units, source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass

from console.figures.air import compression_ratio
from console.figures.coil import DROP_PROBLEM_PERCENT, DROP_WARN_PERCENT
from console.figures.inputs import FigureError
from console.rules.airuse import delivered_scfm, idle_scf, need_psi, sequence_scf, tank_scf_per_psi
from console.rules.physics.motion import (
    Figures,
    coil_current_a,
    coil_voltage_v,
    cylinder_of,
    figures_of,
    pressure_of,
)
from console.rules.physics.supplies import burden_of, draw_of, off_percent, supply_of
from console.rules.physics.swinging import turns_of
from console.site.models import Motion, Prop, Site

_STATICS = "F = p A"
_ESPOSITO = "A. Esposito, Fluid Power with Applications, ex. 13-12"
_STROKE = "p V of each end, F = m a, flow by NFPA T3.21.3 or ISO 6358 (console/figures)"


@dataclass(frozen=True, slots=True)
class Line:
    """One step of the working: what, the formula with its numbers, the result, the source."""

    what: str
    working: str
    result: str
    source: str = ""

    def as_dict(self) -> dict[str, str]:
        """What `--json` prints of it."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Section:
    """The lines that belong together."""

    title: str
    lines: tuple[Line, ...]


def working(site: Site, prop: Prop) -> tuple[Section, ...]:
    """All that is reckoned of a prop: each motion, its air, its supply."""
    pressure = pressure_of(prop)
    sections = []
    for motion in prop.motions:
        lines = tuple(_motion(site, prop, motion, pressure))
        sections.append(Section(f"motion {motion.name}", lines))
    sections.append(Section("air", tuple(_air(site, prop))))
    sections.append(Section("supply", tuple(_supply(site, prop))))
    return tuple(section for section in sections if section.lines)


def _motion(site: Site, prop: Prop, motion: Motion, pressure: float | None) -> Iterator[Line]:
    if pressure is None:
        yield Line("pressure", "the prop has no set_pressure", "nothing can be reckoned")
    elif motion.cylinder is None:
        yield Line("cylinder", "the motion has no cylinder", "nothing can be reckoned")
    else:
        try:
            figures = figures_of(motion, pressure)
        except FigureError as error:
            yield Line("cylinder", str(error), "impossible")
            return
        if figures is not None:
            yield from _force(motion, figures)
            yield from _swing(motion)
            yield from _time(motion, figures)
            yield from _stroke_air(motion, figures)
    yield from _coil(site, prop, motion)


def _force(motion: Motion, figures: Figures) -> Iterator[Line]:
    assert motion.cylinder is not None
    cylinder, count = cylinder_of(motion.cylinder), motion.cylinder.count
    times = f" x {count}" if count > 1 else ""
    pressure = figures.pressure_psi
    area = cylinder.piston_in2
    yield Line(
        "push", f"{pressure:g} psi x {area:.3f} in2{times}", f"{pressure * area * count:.1f} lbf",
        _STATICS,
    )  # fmt: skip
    if cylinder.acting == "double":
        ring = cylinder.annulus_in2
        yield Line(
            "pull", f"{pressure:g} psi x {ring:.3f} in2{times}",
            f"{pressure * ring * count:.1f} lbf", _STATICS,
        )  # fmt: skip
    found = figures.pushing
    if found is None:
        yield Line("margin", "the cylinder has no load", "not reckoned")
        return
    load = found.load
    yield Line(
        "against",
        f"{load.load_lbf:g} lbf load + {load.spring_lbf:g} lbf spring - "
        f"{load.assist_lbf:g} lbf assist",
        f"{load.net_lbf:.1f} lbf",
        "statics",
    )
    yield Line(
        "margin",
        f"{found.push_lbf:.1f} / {load.net_lbf:.1f}, at least {found.needed:g} for a "
        f"{'fast' if motion.fast else 'slow'} motion",
        f"{found.margin:.2f}{'' if found.enough else ', too little'}",
        "sizing practice, from memory",
    )


def _swing(motion: Motion) -> Iterator[Line]:
    assert motion.cylinder is not None
    made = motion.cylinder.swing
    if made is None or made.closed_in is None:
        return
    try:
        turns = turns_of(motion.cylinder)
    except FigureError as error:
        yield Line("swing", str(error), "impossible", "law of cosines")
        return
    lever = min(turns, key=lambda turn: turn.moment_arm_in)
    yield Line(
        "swing",
        f"arm {made.arm_in:g} in, base {made.base_in:g} in, cylinder {made.closed_in:g} to "
        f"{turns[-1].length_in:g} in",
        f"{turns[0].angle_deg:.1f} to {turns[-1].angle_deg:.1f} deg, "
        f"{turns[-1].angle_deg - turns[0].angle_deg:.1f} deg",
        "law of cosines",
    )
    yield Line(
        "shortest lever", f"a b sin(angle) / c at {lever.length_in:.2f} in",
        f"{lever.moment_arm_in:.2f} in", "law of cosines",
    )  # fmt: skip


def _time(motion: Motion, figures: Figures) -> Iterator[Line]:
    if figures.stuck:
        yield Line("stroke", figures.stuck, "never ends", _STROKE)
    elif figures.time is None:
        yield Line("stroke", "it takes cylinder, moving, valve and its cv", "not reckoned")
    else:
        for what, stroke, stated in (
            ("out", figures.time.out, motion.travel_ms),
            ("back", figures.time.back, motion.return_ms),
        ):
            yield Line(
                what,
                f"filled and emptied at {figures.pressure_psi:g} psi, moving after "
                f"{stroke.starts_s * 1000:.0f} ms, arriving at {stroke.end_in_per_s:.0f} in/s; "
                f"the file gives {stated} ms",
                f"{stroke.arrives_s * 1000:.0f} ms",
                _STROKE,
            )


def _stroke_air(motion: Motion, figures: Figures) -> Iterator[Line]:
    assert motion.cylinder is not None
    fitted, pressure = motion.cylinder, figures.pressure_psi
    ratio = compression_ratio(pressure)
    swept = cylinder_of(fitted).piston_in2 * fitted.stroke_in * fitted.count
    hose = ""
    if motion.hose is not None:
        hose = f" + hose {motion.hose.length_ft:g} ft x {motion.hose.inside_in:g} in"
    yield Line(
        "air out", f"{swept:.2f} in3 x ({pressure:g} + 14.7) / 14.7 = x {ratio:.2f}{hose}",
        f"{figures.air.out_scf:.4f} scf", _ESPOSITO,
    )  # fmt: skip
    if figures.air.back_scf:
        yield Line(
            "air back", "the same with the ring beside the rod", f"{figures.air.back_scf:.4f} scf",
            _ESPOSITO,
        )  # fmt: skip


def _coil(site: Site, prop: Prop, motion: Motion) -> Iterator[Line]:
    current = coil_current_a(motion)
    if current is None or motion.valve is None:
        return
    yield Line(
        "coil", f"{motion.valve.coil_w:g} W / {motion.valve.voltage_v:g} V", f"{current:.3f} A",
        "I = P / V",
    )  # fmt: skip
    supply = supply_of(site, prop)
    reaches = None if supply is None else coil_voltage_v(motion, supply)
    if supply is not None and reaches is not None and motion.wire is not None:
        off = off_percent(reaches, motion.valve.voltage_v or 0.0)
        yield Line(
            "at the coil",
            f"{supply.voltage_v:g} V - 2 x {motion.wire.length_ft:g} ft of AWG "
            f"{motion.wire.awg} x {current:.3f} A; warns at -{DROP_WARN_PERCENT:g} %, refused at "
            f"-{DROP_PROBLEM_PERCENT:g} %",
            f"{reaches:.2f} V ({off:+.1f} %)",
            "NEC chapter 9 table 8",
        )


def _air(site: Site, prop: Prop) -> Iterator[Line]:
    compressor, tank = site.air.compressor, site.air.tank
    if not prop.motions:
        return
    try:
        for sequence in prop.sequences:
            used = sequence_scf(prop, sequence.name)
            every_s = (sequence.length_ms + prop.rest_ms) / 1000
            rate = used * 60 / every_s
            limit = f", of {compressor.delivers_scfm:g} scfm" if compressor else ""
            yield Line(
                f"sequence {sequence.name}",
                f"its strokes, partial ones in part; run every {every_s:g} s with its rest{limit}",
                f"{used:.3f} scf, {rate:.2f} scfm",
                _ESPOSITO,
            )
        if prop.idle is not None:
            yield Line("idle movement", "its strokes", f"{idle_scf(prop):.3f} scf", _ESPOSITO)
    except FigureError:
        return
    if compressor is not None and tank is not None:
        gives = delivered_scfm(compressor, compressor.cut_in_psi)
        yield Line(
            "compressor",
            f"{compressor.delivers_scfm:g} scfm at {compressor.at_psi:g} psi, less with pressure",
            f"{gives:.2f} scfm at {compressor.cut_in_psi:g} psi",
            "volumetric efficiency of a piston compressor",
        )
        floor = need_psi(site)
        held = tank_scf_per_psi(tank) * max(compressor.cut_in_psi - floor, 0.0)
        yield Line(
            "tank",
            f"{tank.volume_gal:g} gal / 7.48 x ({compressor.cut_in_psi:g} - {floor:g}) / 14.7",
            f"{held:.2f} scf before the first prop goes short",
            "US DOE MEASUR, ReceiverTank",
        )


def _supply(site: Site, prop: Prop) -> Iterator[Line]:
    supply = supply_of(site, prop)
    if supply is None:
        return
    own = draw_of(prop, supply)
    if own.sequence:
        yield Line(
            "peak", f"sequence {own.sequence} at {own.peak.at_ms:g} ms",
            f"{own.peak.current_a:.2f} A", "I = P / V",
        )  # fmt: skip
    all_of_them = burden_of(site, supply)
    yield Line(
        supply.name,
        " + ".join(f"{d.prop} {d.peak.current_a:.2f}" for d in all_of_them.draws)
        + f", usable {supply.current_a:g} / 1.25 = {all_of_them.usable_a:.2f} A",
        f"{all_of_them.total_a:.2f} A",
        "NEC 210.20(A), by choice",
    )
