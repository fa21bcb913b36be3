"""Whether each motion has force enough in hand."""

from __future__ import annotations

import math
from collections.abc import Iterator

from console.figures.inputs import FigureError
from console.rules.physics.motion import Pushing, cylinder_of, pressure_of, pushing_of
from console.rules.physics.sizes import BORES_IN, inches, next_size
from console.site.draft import Draft, Path
from console.site.models import Cylinder, Motion, Prop, Site
from console.site.problems import Problem, Severity

_HIGHEST_PSI = 125.0
"""The most that a remedy asks a regulator for where no compressor is given."""


def cylinders_are_possible(draft: Draft) -> Iterator[Problem]:
    """Every cylinder has dimensions that a cylinder can have."""
    for prop, motion, path in motions(draft):
        if motion.cylinder is None:
            continue
        try:
            cylinder_of(motion.cylinder)
        except FigureError as error:
            yield draft.problem(
                (*path, "cylinder"), f"{motion.name} of {prop.name}: {error}",
                "measure bore and rod again", at_key=True,
            )  # fmt: skip


def force_is_enough(draft: Draft) -> Iterator[Problem]:
    """Each motion pushes with the margin that its kind needs."""
    for prop, motion, path in motions(draft):
        pressure = pressure_of(prop)
        if pressure is None or motion.cylinder is None:
            continue
        try:
            found = pushing_of(motion, pressure)
        except FigureError:
            continue
        if found is None or found.enough:
            continue
        stuck = found.margin <= 1
        kind = "fast" if motion.fast else "slow"
        yield draft.problem(
            (*path, "cylinder"),
            f"{motion.name} of {prop.name} pushes {found.push_lbf:.0f} lbf at {pressure:g} psi "
            f"against {found.load.net_lbf:.0f} lbf: a margin of {found.margin:.2f}, and a {kind} "
            f"motion needs {found.needed:g}",
            remedy(draft.site, motion.cylinder, found, pressure),
            at_key=True,
            severity=Severity.PROBLEM if stuck else Severity.WARNING,
        )


def regulators_have_air(draft: Draft) -> Iterator[Problem]:
    """No prop is set to more than the tank holds when the compressor starts."""
    compressor = draft.site.air.compressor
    if compressor is None:
        return
    for prop in draft.site.props:
        if prop.set_pressure_psi is not None and prop.set_pressure_psi > compressor.cut_in_psi:
            yield draft.problem(
                ("props", prop.name, "set_pressure"),
                f"{prop.name} is set to {prop.set_pressure_psi:g} psi, and the tank falls to "
                f"{compressor.cut_in_psi:g} psi before the compressor starts",
                f"set it to at most {compressor.cut_in_psi:g} psi, or let the compressor cut in at "
                f"{prop.set_pressure_psi:g} psi or above",
                severity=Severity.WARNING,
            )


def remedy(site: Site, fitted: Cylinder, found: Pushing, pressure_psi: float) -> str:
    """What would give the margin: a bore, a pressure, an assist, whichever can be had."""
    asked_lbf = found.needed * found.load.net_lbf
    ways = []
    bore = next_size(math.sqrt(asked_lbf / fitted.count / pressure_psi * 4 / math.pi), BORES_IN)
    if bore is not None:
        ways.append(f"a bore of {inches(bore)}")
    needed_psi = math.ceil(pressure_psi * asked_lbf / found.push_lbf)
    compressor = site.air.compressor
    if needed_psi <= (compressor.cut_in_psi if compressor else _HIGHEST_PSI):
        ways.append(f"{needed_psi} psi")
    more_lbf = math.ceil(found.load.net_lbf - found.push_lbf / found.needed)
    ways.append(
        f"an assist of {found.load.assist_lbf + more_lbf:g} lbf"
        + (f" instead of {found.load.assist_lbf:g}" if found.load.assist_lbf else "")
    )
    return "it takes " + ", or ".join(ways)


def motions(draft: Draft) -> Iterator[tuple[Prop, Motion, Path]]:
    """Every motion that was read whole, with its prop and its place in the file."""
    for prop in draft.site.props:
        for motion in prop.motions:
            path: Path = ("props", prop.name, "motions", motion.name)
            if draft.intact(path):
                yield prop, motion, path


CHECKS = (cylinders_are_possible, force_is_enough, regulators_have_air)
