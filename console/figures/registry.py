"""The one registry of units, made when this module is first imported.

Units of two registries do not mix. Python imports a module once, whatever threads ask for it first.
"""

from __future__ import annotations

import pint

from console.figures.units import DEFINITIONS

REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry(DEFINITIONS.strip().splitlines())
