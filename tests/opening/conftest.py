"""Nights on the yard that asks for an opening check."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.firmware.build import NoCompiler
from tests.engine.night import FirmwareBoard, Night
from tests.opening.opening_sites import made
from tests.tools import missing

MakeYard = Callable[..., Night]


@pytest.fixture
def yard(folder: Path) -> Iterator[MakeYard]:
    """Makes a night in virtual time on the firmware; everything is live when it is handed over."""
    nights: list[Night] = []

    def make(boards: int = 2, *, required: bool = True) -> Night:
        site = made(folder, boards, required=required)
        try:
            night = Night(site, folder, FirmwareBoard)
        except NoCompiler as error:
            missing(str(error))
        nights.append(night)
        night.until(night.live)
        return night

    yield make
    for each in nights:
        each.close()
