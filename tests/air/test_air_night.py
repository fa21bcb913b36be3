"""The air model through short nights of the plant; `tests/proof/air_proof.py` has whole ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from console.rules.air import Cause
from console.site.loading import load
from console.site.models import Site
from console.site.shipped import shipped
from tests.air.airfollow import follow
from tests.air.airplant import STEP_S, Fault, Plant


@pytest.fixture(scope="module")
def site() -> Site:
    """The demo site."""
    return load(shipped("demo"))


def test_the_plants_stepping_agrees_with_scipy(site: Site) -> None:
    """An hour of one tank, stepped by a quarter second, against a variable-step solver."""
    plant = Plant(site, 3, nights=1, groups=10)
    ours = plant.run()[0].psi
    plant = Plant(site, 3, nights=1, groups=10)
    psi0 = plant.cut_out - plant.rng.uniform(0, 15, 1)
    assert ours[0] == pytest.approx(psi0[0], abs=1e-9)
    flows = plant.flows[0]
    first = 0.0
    mass = (psi0 * 6894.757 + 101_325.0) * plant.volume / (287.05 * plant.ambient)
    start = [float(mass[0]), float((mass * 718.0 * plant.ambient)[0])]
    # Up to the first switching of the compressor nothing but the slopes is at work.
    until = int(np.argmax(ours <= plant.cut_in[0])) or 600

    def rates(t: float, y: np.ndarray) -> list[float]:
        draw = flows[:, int(t / STEP_S)][:, None]
        a, b = plant.slopes(np.array([y[0]]), np.array([y[1]]), np.zeros(1), draw, t)
        return [float(a[0]), float(b[0])]

    got = solve_ivp(rates, (first, until), start, max_step=STEP_S / 2, rtol=1e-8)
    pa = got.y[1, -1] / 718.0 * 287.05 / plant.volume[0]
    assert (pa - 101_325.0) / 6894.757 == pytest.approx(ours[until], abs=0.1)


def test_with_a_sensor_the_pressure_is_right_within_the_sensors_own_error(site: Site) -> None:
    """Two nights of 40 groups: the sensor itself is off by up to 1 psi and 1 %."""
    for night in Plant(site, 11, nights=2, groups=40).run():
        got = follow(site, night, sensor=True)
        assert np.abs(got.error(night)).mean() < 2.0
        assert not got.named


def test_without_a_sensor_the_doubt_is_honest(site: Site) -> None:
    """The truth lies within three of the model's own sigmas nearly always, and it knows little."""
    for night in Plant(site, 12, nights=2, groups=40).run():
        got = follow(site, night, sensor=False)
        off = np.abs(got.error(night))
        assert (off <= 3 * np.maximum(got.sigma[60:], 1.0)).mean() > 0.95
        assert got.sigma[-1] > 3.0
        assert not got.named


def test_a_leak_is_named_with_its_size(site: Site) -> None:
    """1 scfm put in after 40 minutes is named within 20, as a leak, within 0.5 scfm."""
    (night,) = Plant(site, 13, nights=1, groups=55, fault=Fault(2400, leak_scfm=1.0)).run()
    got = follow(site, night, sensor=True)
    assert set(got.named) == {Cause.LEAK}
    assert 2400 <= got.named[Cause.LEAK][0] <= 3600
    assert got.leak_scfm[-1] == pytest.approx(1.4, abs=0.5)


def test_a_tired_compressor_is_not_called_a_leak(site: Site) -> None:
    """At 65 % it is named as the compressor, not as a leak."""
    (night,) = Plant(site, 14, nights=1, groups=60, fault=Fault(1800, strength=0.65)).run()
    assert set(follow(site, night, sensor=True).named) == {Cause.TIRED}
