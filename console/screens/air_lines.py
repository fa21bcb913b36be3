"""The air as rows: the tank now and in a while, who takes it, what is wrong with it. Pure."""

from __future__ import annotations

from console.screens.palette import Role
from console.screens.plot import plot_rows, resampled
from console.screens.rows import Row
from console.screens.text import Line, Span, bar, fit, line, paragraph
from console.views.models import AirView

NONE = "The site file names no compressor and no tank: `configs/README.md` says how."


def tank_lines(air: AirView, width: int) -> list[Line]:
    """Pressure, compressor, what is taken and lost, and for how long it will do."""
    measured = "" if air.measured_psi is None else f", the sensor says {air.measured_psi:.0f}"
    low = air.psi < air.need_psi
    pressure = f"{air.psi:.0f} psi ±{air.sigma_psi:.0f}{measured}"
    top = max(air.cut_out_psi, 1.0)
    rows: list[Line] = [
        line(
            Span("Tank ", Role.STRONG),
            Span(bar(air.psi / top, max(8, min(30, width - 50))), Role.WARN if low else Role.TEXT),
            Span(f" {pressure}", Role.WARN if low else Role.TEXT),
            Span(f"  needs {air.need_psi:.0f}", Role.MUTED),
        )
    ]
    does = f"on for {air.running_min:.0f} min" if air.compressor_on else "off"
    rows += paragraph(
        f"Compressor {does} (on at {air.cut_in_psi:.0f}, off at {air.cut_out_psi:.0f} psi, gives "
        f"{air.delivers_scfm:.1f} scfm). Props take {air.demand_scfm:.1f} scfm, leaks "
        f"{air.leak_scfm:.1f} ±{air.leak_sigma_scfm:.1f} scfm.",
        width,
        Role.MUTED,
    )
    left = "" if air.minutes_left is None else f" in {air.minutes_left:.0f} min"
    if air.minutes_left is None:
        alone = f"the tank alone would carry {air.groups_left:.0f} groups"
        rows.append(line(Span(f"The compressor keeps up; {alone}.", Role.MUTED)))
    else:
        text = f"Goes short{left}, after {air.groups_left:.0f} more groups at this pace."
        rows.append(line(Span(text, Role.WARN)))
    for finding in air.findings:
        rows += paragraph(f"▲ {finding}", width, Role.WARN)
    return rows


def history_rows(air: AirView, width: int, height: int) -> list[Line]:
    """The tank's pressure up to now."""
    if len(air.history) < 2:
        return [line(Span("No history yet.", Role.MUTED))]
    values = resampled(air.history, max(1, width - 10))
    low = min(*values, air.need_psi)
    span_min = (air.history[-1][0] - air.history[0][0]) / 60
    title = line(Span(f"Tank over the last {span_min:.0f} min", Role.STRONG))
    return [title, *plot_rows(values, low, max(*values, low + 1), height, unit="psi")]


def demand_rows(air: AirView, width: int) -> list[Row]:
    """Who takes how much, the largest first."""
    most = max((p.taken_scf for p in air.props), default=0.0) or 1.0
    name = max(14, width - 46)
    return [
        Row(
            line(
                Span(fit(f" {p.title or p.name}", name)),
                Span(f" {bar(p.taken_scf / most, 12)} ", Role.MUTED),
                Span(f"{p.taken_scf:7.1f} scf"),
                Span(f"  {p.cycle_scf:6.2f} a cycle", Role.MUTED),
            )
        )
        for p in sorted(air.props, key=lambda p: -p.taken_scf)
    ]
