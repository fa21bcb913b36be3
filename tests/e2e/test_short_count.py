"""A shorter run of `tests/e2e/long_count.py`: real boards, real engine, counts that add up."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from tests.boards import firmware_command
from tests.e2e.long_count import LongCount


def test_ledger_and_gaps_are_the_boards_own_counters() -> None:
    """Three boards, sixty triggers, lines closed, boards reset, the engine killed twice."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    count = LongCount(folder, firmware_command(), 3, seed=3)
    try:
        count.run(60, 2)
        result = count.drain()
    finally:
        count.site.close()
        shutil.rmtree(folder, ignore_errors=True)
    assert result["right"], result
    assert result["cycles"] > 15
