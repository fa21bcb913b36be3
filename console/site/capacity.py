"""What a board can hold, and other limits of a site that no physics sets."""

from __future__ import annotations

from dataclasses import dataclass

from console.site.models import BoardSize

KNOWN_DRIVERS = ("sexton",)
"""Kinds of controller that a site file may name."""

KNOWN_BAUDS = (9600, 19_200, 38_400, 57_600, 115_200, 230_400, 250_000, 460_800, 500_000, 1_000_000)

MAX_SHARED = 30
"""Controllers on one shared line."""

POLL_BYTES = 160
"""What one turn of polling a board on a shared line comes to, both directions."""


@dataclass(frozen=True, slots=True)
class Capacity:
    """The most of each thing that a board takes; steps are counted in each sequence."""

    props: int
    outputs: int
    inputs: int
    sequences: int
    steps: int


CAPACITIES = {
    ("sexton", BoardSize.STANDARD): Capacity(4, 16, 16, 12, 40),
    ("sexton", BoardSize.SMALL): Capacity(2, 8, 8, 4, 40),
}


def capacity_of(driver: str, board: BoardSize) -> Capacity:
    """The capacity of a board; an unknown driver counts as the standard one."""
    return CAPACITIES.get((driver, board), CAPACITIES["sexton", board])
