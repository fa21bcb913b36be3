"""A group, as the operator at the entrance describes it."""

from __future__ import annotations

from dataclasses import dataclass

from console.site.kinds import Strength

DEFAULT_SIZE = 4
LARGEST_SIZE = 60


@dataclass(frozen=True, slots=True)
class Group:
    """Guests who walk together. `exclude` holds output properties that they are spared.

    `quiet_zones` names the zones in which they are shown nothing but what is quiet.
    """

    number: int
    size: int = DEFAULT_SIZE
    strength: Strength = Strength.STANDARD
    note: str = ""
    exclude: frozenset[str] = frozenset()
    quiet_zones: frozenset[str] = frozenset()
    by: str = ""

    def strength_in(self, zone: str) -> Strength:
        """The most that it is shown in a zone."""
        return Strength.QUIET if zone in self.quiet_zones else self.strength
