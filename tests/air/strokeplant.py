"""A stroke of its own making, in SI units, to judge predicted stroke times by.

Both ends of the cylinder and the hoses before them are volumes with mass and energy of their own;
air flows by the ideal nozzle (St. Venant and Wantzel) through areas that follow from the ratings,
the valve opens over some milliseconds, seals rub more when they start than when they slide, and
chambers exchange heat with their walls. Integrated by `scipy.integrate.solve_ivp`; nothing of it is
shared with `console.figures`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from console.site.models import Motion

PSI, ATM, R_AIR, GAMMA = 6894.757, 101_325.0, 287.05, 1.4
INCH, LBF, LB = 0.0254, 4.4482216, 0.45359237
CV, CP = 718.0, 1005.0
_CHOKE = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))


@dataclass(frozen=True)
class Draw:
    """How one real specimen differs from its data sheet."""

    kelvin: float = 293.0
    pressure: float = 1.0
    valve: float = 1.0
    friction_psi: float = 4.0
    dead: float = 0.06
    ramp_s: float = 0.012
    response_s: float = 0.015
    load: float = 1.0

    @classmethod
    def random(cls, rng: np.random.Generator) -> Draw:
        """One specimen."""
        return cls(
            kelvin=rng.uniform(278, 298),
            pressure=rng.uniform(0.97, 1.03),
            valve=rng.uniform(0.9, 1.1),
            friction_psi=rng.uniform(2, 6),
            dead=rng.uniform(0.03, 0.10),
            ramp_s=rng.uniform(0.005, 0.020),
            response_s=rng.uniform(0.008, 0.025),
            load=rng.uniform(0.9, 1.1),
        )


def area_of_cv(cv: float) -> float:
    """The ideal nozzle in m2 that passes as much choked air as a Cv does by the NFPA rating."""
    # 22.7 Cv sqrt(0.47 x 0.53 / T) p1 scfm of psia at 528 degR, against 0.0404 A p1 / sqrt(T).
    scfm_per_psi = 22.7 * cv * (0.47 * 0.53 / 528.0) ** 0.5
    kg_s_per_pa = scfm_per_psi * 0.028316846592 / 60 * 1.2041 / PSI
    return float(kg_s_per_pa * 293.15**0.5 / 0.040418)


def nozzle(area: float, up: float, down: float, kelvin: float) -> float:
    """kg/s through an ideal nozzle."""
    if up <= down:
        return 0.0
    ratio = max(down / up, _CHOKE)
    shape = 2 * GAMMA / (GAMMA - 1) * (ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA))
    return float(area * up * (shape / (R_AIR * kelvin)) ** 0.5)


def series(*areas: float) -> float:
    """One nozzle for several in a row, as for orifices: 1/A2 adds."""
    return float(sum(1 / a**2 for a in areas if a > 0) ** -0.5)


def stroke_s(motion: Motion, pressure_psi: float, draw: Draw, *, out: bool) -> float:
    """Seconds from switching until the end of the stroke. Raises ValueError if it never ends."""
    c, valve, hose = motion.cylinder, motion.valve, motion.hose
    assert c is not None
    assert valve is not None
    assert valve.cv is not None
    double = c.acting == "double"
    piston = np.pi / 4 * (c.bore_in * INCH) ** 2 * c.count
    ring = piston - np.pi / 4 * ((c.rod_in or 0) * INCH) ** 2 * c.count
    stroke = c.stroke_in * INCH
    supply = pressure_psi * draw.pressure * PSI + ATM
    feed_area = area_of_cv(valve.cv) * draw.valve
    vent_area = area_of_cv(valve.exhaust_cv or valve.cv) * draw.valve
    hose_m3 = 0.0
    if hose is not None:
        bore, length = hose.inside_in * INCH, hose.length_ft * 0.3048
        hose_m3 = np.pi / 4 * bore**2 * length
        # A smooth hose as a nozzle: 1 / (1 + f L / D) of its own area, squared.
        pipe = np.pi / 4 * bore**2 * 0.685 / max(1.0, 0.4 * (0.022 * length / bore + 1.5)) ** 0.5
        feed_area, vent_area = series(feed_area, pipe), series(vent_area, pipe)
    if valve.flow_control_cv is not None:
        vent_area = series(vent_area, area_of_cv(valve.flow_control_cv) * draw.valve)
    if valve.quick_exhaust:
        vent_area = area_of_cv(1.5) * draw.valve
    load = ((c.load_lbf or 0) * draw.load - (c.assist_lbf or 0)) * LBF
    spring_end = (c.spring_lbf or 0) * LBF
    mass = max(c.moving_lb or 0, 0.5) * LB
    rub = draw.friction_psi * PSI * piston
    dead_cap = draw.dead * piston * stroke + hose_m3
    dead_rod = draw.dead * ring * stroke + hose_m3
    wall_w_k = 40.0 * (piston * 2 + stroke * np.sqrt(piston) * 3)

    def forced(y: np.ndarray) -> tuple[float, float]:
        """The place within the cylinder, and the force outwards without friction."""
        place = min(max(float(y[0]), 0.0), stroke)
        p_cap = y[3] * (R_AIR / CV) / (dead_cap + piston * place)
        p_rod = y[5] * (R_AIR / CV) / (dead_rod + ring * (stroke - place))
        force = (p_cap - ATM) * piston - load - spring_end * (0.5 + 0.5 * place / stroke)
        return place, force - ((p_rod - ATM) * ring if double else 0.0)

    def rates(t: float, y: np.ndarray, still: bool) -> list[float]:
        place, speed, m_cap, e_cap, m_rod, e_rod = y
        place, force = forced(y)
        v_cap, v_rod = dead_cap + piston * place, dead_rod + ring * (stroke - place)
        t_cap, t_rod = e_cap / (m_cap * CV), e_rod / (m_rod * CV)
        p_cap, p_rod = m_cap * R_AIR * t_cap / v_cap, m_rod * R_AIR * t_rod / v_rod
        opened = min(max((t - draw.response_s) / draw.ramp_s, 0.0), 1.0)
        if still:
            speed, push = 0.0, 0.0
        else:
            slide = rub * (0.8 + 0.6 * np.exp(-((speed / 0.05) ** 2)))
            push = (force - slide * np.tanh(speed / 2e-3)) / mass

        def chamber(
            fill: bool, p: float, kelvin: float, m: float, dv: float
        ) -> tuple[float, float]:
            if fill:
                flow = nozzle(feed_area * opened, supply, p, draw.kelvin)
                back = nozzle(feed_area * opened, p, supply, kelvin)
                dm, heat = flow - back, flow * CP * draw.kelvin - back * CP * kelvin
            else:
                dm = -nozzle(vent_area * opened, p, ATM, kelvin)
                heat = dm * CP * kelvin
            return dm, heat - p * dv + wall_w_k * (draw.kelvin - kelvin)

        dm_cap, de_cap = chamber(out, p_cap, t_cap, m_cap, piston * speed)
        dm_rod, de_rod = (0.0, 0.0)
        if double:
            dm_rod, de_rod = chamber(not out, p_rod, t_rod, m_rod, -ring * speed)
        return [speed, push, dm_cap, de_cap, dm_rod, de_rod]

    def arrived(t: float, y: np.ndarray, still: bool) -> float:
        return float(y[0] - stroke if out else y[0])

    arrived.terminal = True  # type: ignore[attr-defined]
    arrived.direction = 1.0 if out else -1.0  # type: ignore[attr-defined]
    place = 0.0 if out else stroke
    p_cap, p_rod = (ATM, supply) if out else (supply, ATM)
    m_cap = p_cap * (dead_cap + piston * place) / (R_AIR * draw.kelvin)
    m_rod = p_rod * (dead_rod + ring * (stroke - place)) / (R_AIR * draw.kelvin)
    first = 1e-9 if out else stroke - 1e-9
    start = [
        first, 0.0, m_cap, m_cap * CV * draw.kelvin, m_rod, m_rod * CV * draw.kelvin,
    ]  # fmt: skip

    def breaks(t: float, y: np.ndarray, still: bool) -> float:
        return (forced(y)[1] if out else -forced(y)[1]) - 1.4 * rub

    breaks.terminal, breaks.direction = True, 1.0  # type: ignore[attr-defined]
    settings = {"method": "LSODA", "rtol": 1e-4, "atol": 1e-8, "max_step": 5e-3}
    rest = solve_ivp(rates, (0, 12.0), start, events=breaks, args=(True,), **settings)
    if not len(rest.t_events[0]):
        raise ValueError(f"{motion.name} never starts")
    began, moving = rest.t_events[0][0], rest.y_events[0][0]
    found = solve_ivp(
        rates, (began, began + 12.0), moving, events=arrived, args=(False,), **settings
    )
    if not len(found.t_events[0]):
        raise ValueError(f"{motion.name} never ends")
    return float(found.t_events[0][0])
