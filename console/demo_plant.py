"""From a site file to the plant that a demo simulates: the same things in SI units.

What the file leaves open stays open, for the plant to choose. The plant moves every number a little
anyway: nobody builds exactly what the site file says.
"""

from __future__ import annotations

from dataclasses import replace

from console.site.models import (
    Acting,
    Controller,
    DeEnergised,
    Level,
    Motion,
    OutputKind,
    Prop,
    SensorKind,
    Site,
)
from drivers.simulated.description import (
    SCFM_M3_PER_S,
    AirSpec,
    BoardSpec,
    GuestSpec,
    MotionSpec,
    PlantDescription,
    PressureGauge,
    SensorSpec,
    ZoneSpec,
)
from drivers.simulated.description import SensorKind as PlantSensor

# NIST SP 811 (2008), appendix B.8.
_PA_PER_PSI = 6894.757
_M_PER_IN = 0.0254
_N_PER_LBF = 4.448222
_KG_PER_LB = 0.4535924
_M3_PER_GAL = 0.003785412

_KINDS = {
    SensorKind.MAT: PlantSensor.MAT,
    SensorKind.BEAM: PlantSensor.BEAM,
    SensorKind.INFRARED: PlantSensor.INFRARED,
}
_REACH = 0.05
"""How much further along the walk than its sensor a prop stands, as a share of the zone."""


def plant_of(site: Site) -> PlantDescription:
    """The plant of a site."""
    return PlantDescription(
        boards=tuple(_board(site, c) for c in site.controllers),
        motions=tuple(_motion(site, p, m) for p in site.props for m in p.motions),
        sensors=tuple(s for zone in site.zones for s in _sensors(site, zone.name)),
        zones=tuple(ZoneSpec(zone.name, zone.walk_ms / 1000) for zone in site.zones),
        air=_air(site),
        guests=GuestSpec(),
    )


def _board(site: Site, controller: Controller) -> BoardSpec:
    gauge = None
    sensor = site.air.sensor
    if sensor is not None and sensor.controller == controller.name:
        gauge = PressureGauge(
            round(sensor.low_v * 1000),
            sensor.low_psi * _PA_PER_PSI,
            round(sensor.high_v * 1000),
            sensor.high_psi * _PA_PER_PSI,
        )
    supply = site.supply(controller.supply) if controller.supply else None
    return BoardSpec(
        controller.board_id,
        controller.line,
        controller.address,
        supply_mv=round(supply.voltage_v * 1000) if supply else 0,
        gauge=gauge,
    )


def _motion(site: Site, prop: Prop, motion: Motion) -> MotionSpec:
    dumps = [output.output for output in prop.outputs if output.kind is OutputKind.DUMP]
    ends = motion.end_sensor
    levels = [end.active for end in (ends.out, ends.home) if end is not None]
    spec = MotionSpec(
        board=site.controller(prop.controller).board_id,
        output=motion.output,
        out_s=motion.travel_ms / 1000,
        back_s=motion.return_ms / 1000,
        fed_by=dumps[0] if dumps else 0,
        holds=motion.de_energised is DeEnergised.HOLDS,
        out_input=ends.out.input if ends.out else 0,
        home_input=ends.home.input if ends.home else 0,
        end_level=_level(levels[0]) if levels else 0,
    )
    if prop.set_pressure_psi is not None:
        spec = replace(spec, set_pa=prop.set_pressure_psi * _PA_PER_PSI)
    made = motion.cylinder
    if made is None:
        return spec
    spec = replace(
        spec,
        bore_m=made.bore_in * _M_PER_IN,
        stroke_m=made.stroke_in * _M_PER_IN,
        double=made.acting is Acting.DOUBLE,
        count=made.count,
        load_n=None if made.load_lbf is None else made.load_lbf * _N_PER_LBF,
        spring_n=None if made.spring_lbf is None else made.spring_lbf * _N_PER_LBF,
    )
    if made.rod_in is not None:
        spec = replace(spec, rod_m=made.rod_in * _M_PER_IN)
    if made.moving_lb is not None:
        spec = replace(spec, moving_kg=made.moving_lb * _KG_PER_LB)
    return spec


def _sensors(site: Site, zone: str) -> list[SensorSpec]:
    """The inputs that guests and helpers work in a zone; its props stand evenly along the walk."""
    props = site.props_of_zone(zone)
    found = []
    for place, prop in enumerate(props, 1):
        board, at = site.controller(prop.controller).board_id, place / (len(props) + 1)
        sensor, actor = prop.triggered_by.sensor, prop.triggered_by.actor
        if sensor is not None and sensor.input is not None:
            kind = _KINDS.get(sensor.kind or SensorKind.MAT, PlantSensor.MAT)
            found.append(SensorSpec(board, sensor.input, kind, zone, at, _level(sensor.active)))
        if actor is not None and actor.input is not None:
            level = _level(actor.active)
            found.append(SensorSpec(board, actor.input, PlantSensor.BUTTON, zone, at, level))
        if prop.clear_area is not None:
            where, level = min(at + _REACH, 1.0), _level(prop.clear_area.active)
            inputs = prop.clear_area.input
            found.append(SensorSpec(board, inputs, PlantSensor.AREA, zone, where, level))
    return found


def _air(site: Site) -> AirSpec:
    spec, air = AirSpec(), site.air
    if air.tank is not None:
        spec = replace(spec, tank_m3=air.tank.volume_gal * _M3_PER_GAL)
    if air.compressor is not None:
        spec = replace(
            spec,
            cut_in_pa=air.compressor.cut_in_psi * _PA_PER_PSI,
            cut_out_pa=air.compressor.cut_out_psi * _PA_PER_PSI,
            delivers_m3_per_s=air.compressor.delivers_scfm * SCFM_M3_PER_S,
        )
    if air.leak_scfm is not None:
        spec = replace(spec, leak_m3_per_s=air.leak_scfm * SCFM_M3_PER_S)
    return spec


def _level(level: Level) -> int:
    return 1 if level is Level.HIGH else 0
