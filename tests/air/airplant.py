"""A compressed-air plant of its own making, in SI units, to judge the console's air model by.

Mass and energy of the tank's air with heat through its wall, a piston compressor whose filling
falls with pressure and whose air comes hot, a leak through a hole at choked flow, cylinders filled
with ideal gas at their regulators' pressures with dead volumes. Every parameter is drawn around the
site file's. Nothing of it is shared with `console.rules` or `console.figures`.

Many nights are integrated at once: the state of each is one column, stepped by the classical
Runge-Kutta rule. `tests/air/test_air_plant.py` holds the stepping against `scipy.integrate`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.site.models import Site

Array = npt.NDArray[np.float64]

PSI = 6894.757
ATM = 101_325.0
R_AIR = 287.05
CV, CP = 718.0, 1005.0
FREE_RHO = 14.7 * PSI / (R_AIR * 293.15)
SCFM = FREE_RHO * 0.028316846592 / 60  # kg/s
INCH = 0.0254
STEP_S = 0.25


@dataclass(frozen=True)
class Switching:
    """One output that went on or off in a night, at `at_s`."""

    at_s: float
    prop: str
    output: int
    on: bool


@dataclass(frozen=True)
class Fault:
    """What goes wrong in a night: a leak that opens, a compressor that loses strength."""

    at_s: float
    leak_scfm: float = 0.0
    strength: float = 1.0


@dataclass(frozen=True)
class Night:
    """One night as it was: true pressure and sensor reading by the second, and the strokes."""

    psi: Array
    sensor_psi: Array
    compressor_on: npt.NDArray[np.bool_]
    switchings: tuple[Switching, ...]


def groups_of(
    site: Site, rng: np.random.Generator, groups: int, headway_s: float
) -> list[Switching]:
    """The strokes of a night: groups with jitter and pauses, props missed, sequences mixed."""
    walk_s, at = {}, 0.0
    for zone in site.zones:
        walk_s[zone.name] = at
        at += zone.walk_ms / 1000
    found: list[Switching] = []
    free_at: dict[str, float] = {}
    enters = 300.0
    for _ in range(groups):
        enters += max(20.0, rng.normal(headway_s, 0.2 * headway_s))
        if rng.random() < 0.02:
            enters += rng.uniform(120, 400)
        for order, prop in enumerate(site.props):
            start = enters + walk_s[prop.zone] + 12.0 * (order % 3) + rng.normal(0, 4)
            if rng.random() < 0.06 or start < free_at.get(prop.name, 0.0):
                continue
            moving = [s for s in prop.sequences if s.strength != "quiet"]
            pick = prop.sequence(prop.default_sequence)
            if rng.random() < 0.3 and moving:
                pick = moving[int(rng.integers(len(moving)))]
            free_at[prop.name] = start + (pick.length_ms + prop.rest_ms) / 1000
            outputs = {m.output for m in prop.motions}
            found += [
                Switching(start + s.at_ms / 1000, prop.name, s.output, s.on)
                for s in pick.steps
                if s.output in outputs
            ]
    return sorted(found, key=lambda one: one.at_s)


class Plant:
    """Many nights of one site at once; parameters differ from night to night."""

    def __init__(
        self,
        site: Site,
        seed: int,
        *,
        nights: int,
        groups: int = 200,
        headway_s: float = 72.0,
        fault: Fault | None = None,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.rng, self.site, self.nights, self.fault = rng, site, nights, fault
        compressor, tank = site.air.compressor, site.air.tank
        assert compressor is not None
        assert tank is not None

        def spread(share: float) -> Array:
            return 1 + share * rng.uniform(-1, 1, nights)

        self.ambient = rng.uniform(278, 295, nights)
        self.volume = tank.volume_gal * 0.003785411784 * spread(0.03)
        self.cool = 1 / rng.uniform(50, 120, nights)  # of the air by the wall, 1/s
        self.rated = compressor.delivers_scfm * SCFM * spread(0.05)
        self.clear = rng.uniform(0.03, 0.07, nights)
        self.poly = rng.uniform(1.2, 1.35, nights)
        self.rated_at = compressor.at_psi
        self.hot = self.ambient + rng.uniform(20, 60, nights)
        self.cut_in = compressor.cut_in_psi + rng.uniform(-2, 2, nights)
        self.cut_out = compressor.cut_out_psi + rng.uniform(-2, 2, nights)
        middle = (compressor.cut_in_psi + compressor.cut_out_psi) / 2 * PSI + ATM
        # Choked flow: kg/s for each Pa absolute.
        self.hole = (site.air.leak_scfm or 0.0) * SCFM * spread(0.2) / middle
        self.more = (fault.leak_scfm if fault else 0.0) * SCFM / middle
        self.appetite = spread(0.12)
        self.events = [groups_of(site, rng, groups, headway_s) for _ in range(nights)]
        last = max(one.at_s for events in self.events for one in events)
        self.seconds = int(last) + 300
        self.props = [p for p in site.props if p.motions]
        self.set_pa = np.array([(p.set_pressure_psi or 0.0) * PSI + ATM for p in self.props])
        self.flows = [self._flow_of(events, night) for night, events in enumerate(self.events)]

    def _flow_of(self, events: list[Switching], night: int) -> Array:
        """kg/s that each prop draws at its set pressure, by step of the clock."""
        flow = np.zeros((len(self.props), int(self.seconds / STEP_S) + 1), dtype=np.float32)
        place: dict[tuple[str, int], tuple[float, float, bool]] = {}
        dead = self.rng.uniform(0.03, 0.12)
        late = self.rng.uniform(0.85, 1.15)
        index = {p.name: i for i, p in enumerate(self.props)}
        following = _following(events)
        for number, one in enumerate(events):
            prop = self.props[index[one.prop]]
            motion = next(m for m in prop.motions if m.output == one.output)
            assert motion.cylinder is not None
            c = motion.cylinder
            was, since, on = place.get((one.prop, one.output), (0.0, -1e9, False))
            gone = (one.at_s - since) * 1000
            stated = motion.travel_ms if on else motion.return_ms
            moved = gone / (stated * late)
            now = min(1.0, was + moved) if on else max(0.0, was - moved)
            place[(one.prop, one.output)] = (now, one.at_s, one.on)
            takes_s = (motion.travel_ms if one.on else motion.return_ms) * late / 1000
            way = 1 - now if one.on else now
            if not one.on and c.acting == "single":
                continue
            rod = (c.rod_in or 0.0) * INCH
            area = np.pi / 4 * ((c.bore_in * INCH) ** 2 - (0 if one.on else rod**2))
            swept = area * c.stroke_in * INCH * c.count
            hose = 0.0
            if motion.hose:
                hose = np.pi / 4 * (motion.hose.inside_in * INCH) ** 2 * motion.hose.length_ft
                hose *= 0.3048
            pa = self.set_pa[index[one.prop]]
            # A twitch is cut short: only what arrived until the next switching was drawn.
            nxt = following[number]
            share = min(1.0, (nxt - one.at_s) / max(takes_s * way, 1e-6)) * way
            kg = pa * (swept * share + dead * swept) - ATM * dead * swept + (pa - ATM) * hose
            kg *= self.appetite[night] / (R_AIR * 293.15)
            first = int(one.at_s / STEP_S)
            count = max(1, int(min(takes_s, nxt - one.at_s) / STEP_S))
            flow[index[one.prop], first : first + count] += kg / (count * STEP_S)
        return flow

    def slopes(
        self, mass: Array, energy: Array, on: Array, draw: Array, t: float
    ) -> tuple[Array, Array]:
        """d(mass)/dt and d(energy)/dt of every night; `draw` is props by nights in kg/s."""
        kelvin = energy / (mass * CV)
        pa = mass * R_AIR * kelvin / self.volume
        ratio = np.maximum(pa, ATM) / ATM
        rated = (self.rated_at * PSI + ATM) / ATM
        filled = 1 + self.clear - self.clear * ratio ** (1 / self.poly)
        at_rating = 1 + self.clear - self.clear * rated ** (1 / self.poly)
        broken = self.fault is not None and t >= self.fault.at_s
        strength = self.fault.strength if self.fault is not None and broken else 1.0
        gives = on * self.rated * strength * np.maximum(filled, 0) / at_rating
        hole = self.hole + (self.more if broken else 0.0)
        leak = hole * pa * np.sqrt(293.15 / kelvin)
        feeds = np.minimum(1.0, np.maximum(pa - 2 * PSI, ATM) / self.set_pa[:, None])
        leaves = leak + (draw * feeds).sum(axis=0)
        mass_rate = gives - leaves
        heat = self.cool * mass * CV * (self.ambient - kelvin)
        energy_rate = gives * CP * self.hot - leaves * CP * kelvin + heat
        return mass_rate, energy_rate

    def run(self, each: Callable[[int], None] = lambda second: None) -> list[Night]:
        """Integrate every night, from a full tank at rest."""
        psi0 = self.cut_out - self.rng.uniform(0, 15, self.nights)
        mass = (psi0 * PSI + ATM) * self.volume / (R_AIR * self.ambient)
        energy = mass * CV * self.ambient
        on = np.zeros(self.nights)
        per_second = round(1 / STEP_S)
        psi = np.zeros((self.nights, self.seconds))
        running = np.zeros((self.nights, self.seconds), dtype=bool)
        flows = np.stack(self.flows, axis=2)  # props, steps, nights
        for second in range(self.seconds):
            now_psi = ((energy / CV) * R_AIR / self.volume - ATM) / PSI
            on = np.where(now_psi <= self.cut_in, 1.0, np.where(now_psi >= self.cut_out, 0.0, on))
            psi[:, second], running[:, second] = now_psi, on > 0
            for part in range(per_second):
                t = second + part * STEP_S
                draw = flows[:, second * per_second + part, :]
                mass, energy = self._kutta(mass, energy, on, draw, t)
            each(second)
        sensor = psi * (1 + self.rng.uniform(-0.01, 0.01, (self.nights, 1)))
        sensor = sensor + self.rng.uniform(-1, 1, (self.nights, 1))
        sensor = sensor + self.rng.normal(0, 0.35, psi.shape)
        count = 150 / 4.0 * 5.0 / 1024  # a 10-bit converter over 5 V, 150 psi over 4 V
        sensor = np.round(sensor / count) * count
        return [
            Night(psi[i], sensor[i], running[i], tuple(self.events[i])) for i in range(self.nights)
        ]

    def _kutta(
        self, mass: Array, energy: Array, on: Array, draw: Array, t: float
    ) -> tuple[Array, Array]:
        h = STEP_S
        a, b = self.slopes(mass, energy, on, draw, t)
        c, d = self.slopes(mass + h / 2 * a, energy + h / 2 * b, on, draw, t)
        e, f = self.slopes(mass + h / 2 * c, energy + h / 2 * d, on, draw, t)
        g, i = self.slopes(mass + h * e, energy + h * f, on, draw, t)
        return mass + h / 6 * (a + 2 * c + 2 * e + g), energy + h / 6 * (b + 2 * d + 2 * f + i)


def _following(events: list[Switching]) -> list[float]:
    """When the output of each switching is switched again."""
    times: dict[tuple[str, int], float] = {}
    found = []
    for one in reversed(events):
        found.append(times.get((one.prop, one.output), 1e9))
        times[(one.prop, one.output)] = one.at_s
    return found[::-1]
