"""Cycles in the ledger plus recorded gaps are the boards' own counters, in virtual time."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.firmware.build import NoCompiler
from tests.engine.virtual_count import Count
from tests.tools import missing


@pytest.mark.parametrize("firmware", [True, False], ids=["firmware", "simulated"])
@pytest.mark.parametrize("seed", [1, 2])
def test_every_cycle_is_counted_once(folder: Path, seed: int, firmware: bool) -> None:
    """Lines pulled, boards reset, engines killed, frames cut: the counts agree.

    Without full disks (seed 1) the boards hold every record until it is fetched: no gap at all.
    """
    try:
        count = Count(folder, 4, seed, firmware=firmware, full_disks=seed == 2)
    except NoCompiler as error:
        missing(str(error))
    count.run(1200)
    result = count.drain()
    count.night.close()
    assert result["right"], result
    assert result["cycles"] > 400
