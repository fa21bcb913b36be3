"""Whether compressor and tank give what the props take."""

from __future__ import annotations

import math
from collections.abc import Iterator

from console.figures.inputs import FigureError
from console.figures.receiver import GALLONS_PER_FT3, receiver_ft3
from console.rules.airuse import (
    SiteUse,
    delivered_scfm,
    need_psi,
    sequence_scf,
    site_use,
    tank_scf_per_psi,
)
from console.rules.physics.sizes import TANKS_GAL, next_size
from console.site.draft import Draft
from console.site.models import Prop
from console.site.problems import Problem, Severity

NIGHT_MIN = 240.0
"""How long a night is where the calendar has none."""


def rest_lets_the_air_recover(draft: Draft) -> Iterator[Problem]:
    """No prop, run as often as its rest allows, takes more than the compressor gives."""
    air = draft.site.air
    if air.compressor is None:
        return
    spare = air.compressor.delivers_scfm - (air.leak_scfm or 0.0)
    for prop in draft.site.props:
        if not draft.intact(("props", prop.name, "motions")) or spare <= 0:
            continue
        worst = max(prop.sequences, key=lambda s: _scf(prop, s.name) / spare - s.length_ms / 60_000)
        used = _scf(prop, worst.name)
        every_ms = worst.length_ms + prop.rest_ms
        rate = used * 60_000 / every_ms
        if rate <= spare:
            continue
        rest_s = math.ceil((used * 60_000 / spare - worst.length_ms) / 1000)
        yield draft.problem(
            ("props", prop.name, "rest"),
            f"{prop.name} takes {used:.2f} scf in sequence {worst.name}: run every "
            f"{every_ms / 1000:g} s that is {rate:.1f} scfm, and the compressor has {spare:.1f} "
            "scfm to spare",
            f"a rest of {rest_s} s lets the air recover; or less pressure, a smaller bore, a "
            "shorter stroke",
            severity=Severity.WARNING,
        )


def the_compressor_keeps_up(draft: Draft) -> Iterator[Problem]:
    """At the site's headway all props together take no more than the compressor gives."""
    site = draft.site
    compressor, tank = site.air.compressor, site.air.tank
    if compressor is None or site.rules.headway_ms is None or draft.cut:
        return
    headway_s = site.rules.headway_ms / 1000
    use = _use(draft, headway_s)
    if use is None:
        return
    gives = delivered_scfm(compressor, compressor.cut_in_psi)
    if use.total_scfm <= gives:
        return
    longest = _longest_headway(draft, gives)
    remedy = f"a compressor that delivers {use.total_scfm:.1f} scfm"
    if longest is not None:
        remedy = f"a headway of {longest:.0f} s, or {remedy}"
    lasts = ""
    night = night_minutes(draft)
    if tank is not None:
        floor = need_psi(site)
        short = use.total_scfm - gives
        minutes = tank_scf_per_psi(tank) * max(compressor.cut_in_psi - floor, 0.0) / short
        lasts = f"; the tank lasts {minutes:.0f} min from {compressor.cut_in_psi:g} psi"
        if minutes >= night:
            return
        needed = receiver_ft3(night, use.total_scfm, gives, compressor.cut_in_psi, floor)
        gallons = next_size(needed * GALLONS_PER_FT3, TANKS_GAL)
        if gallons is not None:
            remedy += f", or a tank of {gallons:g} gal for a night of {night / 60:.1f} h"
    yield draft.problem(
        ("air", "compressor", "delivers"),
        f"with a group every {headway_s:g} s the site takes {use.total_scfm:.2f} scfm, and the "
        f"compressor gives {gives:.1f} scfm at {compressor.cut_in_psi:g} psi{lasts}",
        remedy,
        severity=Severity.WARNING,
    )


def the_tank_carries_a_group(draft: Draft) -> Iterator[Problem]:
    """All props once, together, leave pressure enough from cut-in."""
    site = draft.site
    compressor, tank = site.air.compressor, site.air.tank
    if compressor is None or tank is None or draft.cut:
        return
    floor = need_psi(site)
    once = sum(_scf(prop, prop.default_sequence) for prop in site.props)
    left = compressor.cut_in_psi - once / tank_scf_per_psi(tank)
    if floor <= 0 or left >= floor:
        return
    hungry = max(site.props, key=lambda p: p.min_air_psi).name
    remedy = f"let the compressor cut in at {math.ceil(floor + compressor.cut_in_psi - left)} psi"
    if compressor.cut_in_psi > floor:
        needed = once * 14.7 / (compressor.cut_in_psi - floor) * GALLONS_PER_FT3
        gallons = next_size(needed, TANKS_GAL)
        if gallons is not None:
            remedy = f"a tank of {gallons:g} gal, or {remedy}"
    yield draft.problem(
        ("air", "tank", "volume"),
        f"all props once take {once:.2f} scf: from {compressor.cut_in_psi:g} psi the tank falls to "
        f"{max(left, 0.0):.0f} psi, and {hungry} needs {floor:g} psi",
        remedy,
        severity=Severity.WARNING,
    )


def night_minutes(draft: Draft) -> float:
    """The longest night of the calendar in minutes."""
    lengths = []
    for night in draft.site.nights:
        begins = night.opens.hour * 60 + night.opens.minute
        ends = night.closes.hour * 60 + night.closes.minute
        lengths.append((ends - begins) % 1440)
    return float(max(lengths, default=NIGHT_MIN))


def _scf(prop: Prop, sequence: str) -> float:
    try:
        return sequence_scf(prop, sequence)
    except (FigureError, KeyError):
        return 0.0


def _use(draft: Draft, headway_s: float) -> SiteUse | None:
    try:
        return site_use(draft.site, headway_s)
    except (FigureError, KeyError):
        return None


def _longest_headway(draft: Draft, gives_scfm: float) -> float | None:
    """The shortest headway that the compressor keeps up with; None where none does."""
    for headway_s in range(10, 601, 5):
        use = _use(draft, float(headway_s))
        if use is not None and use.total_scfm <= gives_scfm:
            return float(headway_s)
    return None


CHECKS = (rest_lets_the_air_recover, the_compressor_keeps_up, the_tank_carries_a_group)
