"""Five seasons of 32 props, short of cycles: every look stays quick, and close to its bare SQL."""

from __future__ import annotations

import pytest

from console.site.loading import load
from tests.bench.bench_upkeep import calendar, fill, measure, ns_of, site_text

NIGHTS = 150
PROPS = 32
CYCLES = 24_000


@pytest.fixture(scope="module")
def figures(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, float]]:
    """What the bench measures. The rollups, which the looks read, are as large as in the bench."""
    folder = tmp_path_factory.mktemp("large")
    days = calendar(NIGHTS)
    (folder / "site.yaml").write_text(site_text(PROPS, days), encoding="utf-8")
    site = load(folder / "site.yaml")
    fill(folder / "large.ledger", site, days[:NIGHTS], CYCLES)
    now_ns = ns_of(days[NIGHTS - 1]) + 20 * 3600 * 10**9
    return measure(folder / "large.ledger", site, now_ns, times=5)


@pytest.mark.parametrize("look", ["due list", "part page", "night report", "season"])
def test_a_look_at_five_seasons_is_quick(figures: dict[str, dict[str, float]], look: str) -> None:
    """Under 300 ms of processor time; what is reading stays close to the statements themselves."""
    found = figures[look]
    assert found["cpu_ms"] < 300
    # The bench states the ratio on a quiet machine; here others may be running beside.
    assert found["reading_cpu_ms"] < 3 * found["bare_sql_cpu_ms"] + 5
