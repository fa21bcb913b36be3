"""Nights in virtual time, on either kind of board."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.firmware.build import NoCompiler
from tests.engine.night import FirmwareBoard, Night, SimulatedBoard
from tests.engine.sites import made
from tests.tools import missing

MakeNight = Callable[..., Night]


@pytest.fixture(params=["firmware", "simulated"])
def night(request: pytest.FixtureRequest, folder: Path) -> Iterator[MakeNight]:
    """Makes a night on the boards under test; everything is live when it is handed over."""
    nights: list[Night] = []
    kind = FirmwareBoard if request.param == "firmware" else SimulatedBoard

    def make(boards: int = 1, *, seed: int = 1, auto: bool = False, **options: object) -> Night:
        try:
            night = Night(made(folder, boards, **options), folder, kind, seed=seed, auto=auto)
        except NoCompiler as error:
            missing(str(error))
        nights.append(night)
        night.until(night.live)
        return night

    yield make
    for each in nights:
        each.close()
