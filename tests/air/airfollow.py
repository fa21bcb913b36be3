"""The console's air model, led through a night of the plant as the engine would lead it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from console.rules.air import AirModel, Cause
from console.rules.airwatch import StrokeWatch
from console.site.models import Site
from tests.air.airplant import Array, Night


@dataclass(frozen=True)
class Followed:
    """What the model said by the second, and when it first named what."""

    psi: Array
    sigma: Array
    leak_scfm: Array
    named: dict[Cause, tuple[int, str]]

    def error(self, night: Night, after_s: int = 60) -> Array:
        """Model less truth in psi."""
        return (self.psi - night.psi)[after_s:]


def follow(site: Site, night: Night, *, sensor: bool) -> Followed:
    """Tell the model of every stroke and, with a sensor, of every second's reading."""
    model, watch = AirModel(site, 0.0), StrokeWatch(site)
    seconds = len(night.psi)
    psi, sigma, leak = np.zeros(seconds), np.zeros(seconds), np.zeros(seconds)
    named: dict[Cause, tuple[int, str]] = {}
    at = 0
    for second in range(seconds):
        while at < len(night.switchings) and night.switchings[at].at_s < second:
            one = night.switchings[at]
            at += 1
            model.used(watch.switched(one.prop, one.output, one.on, one.at_s * 1000, model.psi))
        model.tick(second * 1000.0, float(night.sensor_psi[second]) if sensor else None)
        reading = model.reading()
        psi[second], sigma[second] = reading.psi, reading.sigma_psi
        leak[second] = reading.leak_scfm
        for found in reading.findings:
            named.setdefault(found.cause, (second, found.text))
    return Followed(psi, sigma, leak, named)
