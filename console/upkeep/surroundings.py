"""What the air was like while cycles ran: pressure by its sensor, warmth by one or the weather."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from console.ledger.upkeep import AirRow, TravelRow, UpkeepReader

Floats = NDArray[np.float64]
Moments = NDArray[np.int64]

_AIR_WITHIN_NS = 10 * 60 * 10**9
_WEATHER_WITHIN_NS = 12 * 3600 * 10**9


class Series:
    """Readings of one quantity, oldest first, to be asked for many moments at once."""

    def __init__(self, readings: Iterable[tuple[int, float | None]]) -> None:
        known = [(at, value) for at, value in readings if value is not None]
        self._at_ns = np.array([at for at, _ in known], dtype=np.int64)
        self._values = np.array([math.nan, *(value for _, value in known)])

    def __bool__(self) -> bool:
        return len(self._at_ns) > 0

    def before(self, at_ns: Moments, within_ns: int) -> Floats:
        """The last reading before each moment, NaN where none was taken within that time."""
        place = np.searchsorted(self._at_ns, at_ns, side="right")
        return self._near(place, at_ns, within_ns)

    def around(self, at_ns: Moments, within_ns: int) -> Floats:
        """The reading nearest to each moment."""
        middles = (self._at_ns[1:] + self._at_ns[:-1]) // 2
        return self._near(np.searchsorted(middles, at_ns) + 1, at_ns, within_ns)

    def _near(self, place: NDArray[np.intp], at_ns: Moments, within_ns: int) -> Floats:
        read_ns = self._at_ns[np.clip(place - 1, 0, len(self._at_ns) - 1)]
        near = np.abs(read_ns - at_ns) <= within_ns
        return np.where(near, self._values[place], math.nan)


class Surroundings:
    """What the air was like while some cycles ran."""

    def __init__(
        self, reader: UpkeepReader, stretches: Iterable[Sequence[TravelRow]], weather: Series
    ) -> None:
        air: list[AirRow] = []
        for rows in filter(None, stretches):
            after_ns = rows[0].started_ns - _AIR_WITHIN_NS
            air += reader.air(after_ns, rows[-1].started_ns + _AIR_WITHIN_NS)
        self._psi = Series((row.wall_ns, row.psi) for row in air)
        self._degf = Series((row.wall_ns, row.temp_degf) for row in air)
        self._weather = weather

    def at(self, started_ns: Sequence[int]) -> tuple[Floats | None, Floats | None]:
        """Pressure and warmth at those moments; None where nobody knows any of them."""
        at_ns = np.array(started_ns, dtype=np.int64)
        psi = self._psi.around(at_ns, _AIR_WITHIN_NS) if self._psi else None
        degf = self._degf.around(at_ns, _AIR_WITHIN_NS) if self._degf else None
        if self._weather:
            read = self._weather.before(at_ns, _WEATHER_WITHIN_NS)
            degf = read if degf is None else np.where(np.isnan(degf), read, degf)
        return psi, degf
