"""A few examples of `tests/e2e/real_orders.py`: any order of things, on real processes."""

from __future__ import annotations

import pytest

from tests.boards import firmware_command
from tests.e2e.real_orders import play


@pytest.mark.parametrize("seed", [11, 12])
def test_promises_hold_on_real_processes(seed: int) -> None:
    """Stops hold at the pins, nothing arms itself, and the counts agree in the end."""
    assert len(play(seed, 20, firmware_command())) == 20
