"""Sites for tests of the opening check: the small test yard with gauges, ends and chores."""

from __future__ import annotations

from pathlib import Path

from console.site.loading import load
from console.site.models import Site
from tests.engine import sites

OPENING = """\
opening:
  required: {required}
  exits: [the yard gate opens by hand]
  chores: [walk the path with the lights on]
  closing_chores: [lock the yard]
  warm_up_below: 41 degF
  leak_test_days: 14
air:
  tank: {{volume: 30 gal, relief: 150 psi, where: shed}}
  isolate: behind the hut
"""


def write(folder: Path, boards: int = 2, *, required: bool = True) -> Path:
    """The site file with everything that the opening check asks about."""
    ports = folder / "ports"
    ports.mkdir(exist_ok=True)
    found = sites.text(ports, boards, rules=OPENING.format(required="yes" if required else "no"))
    found = found.replace(
        "    rest: 200 ms\n",
        "    rest: 200 ms\n    set_pressure: 60 psi\n    min_pressure: 40 psi\n"
        "    warm_up_strokes: 3\n    park: lid down\n",
    )
    path = folder / "yard.yaml"
    path.write_text(found)
    return path


def made(folder: Path, boards: int = 2, *, required: bool = True) -> Site:
    """The site, loaded."""
    return load(write(folder, boards, required=required))
