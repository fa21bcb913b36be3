"""The demo's plant is the site in SI units. Factors: NIST SP 811 (2008), appendix B.8."""

from __future__ import annotations

import pytest

from console.demo_plant import plant_of
from console.site.loading import load
from console.site.models import OutputKind
from console.site.shipped import shipped
from drivers.simulated.description import PlantDescription, SensorKind


@pytest.fixture(scope="module")
def plant() -> PlantDescription:
    """The demo's."""
    return plant_of(load(shipped("demo")))


def test_everything_of_the_site_is_there(plant: PlantDescription) -> None:
    """Each board, zone, motion and input of the site file has its counterpart, and it checks."""
    site = load(shipped("demo"))
    plant.check()
    assert [b.name for b in plant.boards] == [c.board_id for c in site.controllers]
    assert [z.name for z in plant.zones] == [z.name for z in site.zones]
    assert len(plant.motions) == sum(len(p.motions) for p in site.props)
    sensors = [s for s in plant.sensors if s.kind not in (SensorKind.BUTTON, SensorKind.AREA)]
    assert len(sensors) == sum(p.triggered_by.sensor is not None for p in site.props)
    assert len(plant.sensors) - len(sensors) == sum(
        (p.triggered_by.actor is not None) + (p.clear_area is not None) for p in site.props
    )


def test_numbers_are_in_si_units(plant: PlantDescription) -> None:
    """A gallon is 231 cubic inches, 100 psi are 689.4757 kPa, 8 scfm are 3.7756 l/s."""
    site = load(shipped("demo"))
    tank, compressor = site.air.tank, site.air.compressor
    assert tank is not None
    assert compressor is not None
    assert plant.air.tank_m3 == pytest.approx(tank.volume_gal * 231 * 0.0254**3)
    assert plant.air.cut_out_pa == pytest.approx(compressor.cut_out_psi / 100 * 689_475.7)
    assert plant.air.delivers_m3_per_s == pytest.approx(
        compressor.delivers_scfm / 8 * 3.7756e-3, rel=1e-4
    )
    motion = site.props[0].motions[0]
    assert motion.cylinder is not None
    assert motion.cylinder.load_lbf is not None
    assert plant.motions[0].bore_m == pytest.approx(motion.cylinder.bore_in * 25.4 / 1000)
    assert plant.motions[0].load_n == pytest.approx(motion.cylinder.load_lbf * 4.4482, rel=1e-4)
    assert plant.motions[0].out_s * 1000 == pytest.approx(motion.travel_ms)


def test_dump_valves_feed_their_prop_alone(plant: PlantDescription) -> None:
    """A motion hangs on a dump valve exactly where its prop has one."""
    site = load(shipped("demo"))
    fed = {
        (site.controller(p.controller).board_id, m.output): next(
            (o.output for o in p.outputs if o.kind is OutputKind.DUMP), 0
        )
        for p in site.props
        for m in p.motions
    }
    assert {(m.board, m.output): m.fed_by for m in plant.motions} == fed


def test_it_travels_as_json(plant: PlantDescription) -> None:
    """What the demo writes is what the boards' process reads."""
    assert PlantDescription.from_json(plant.to_json()) == plant
