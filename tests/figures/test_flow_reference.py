"""Valve and hose flow against the `fluids` library."""

from __future__ import annotations

import math

import pytest
from fluids.compressible import isothermal_gas
from fluids.control_valve import Kv_to_Cv, size_control_valve_g
from fluids.friction import friction_factor
from hypothesis import given
from hypothesis import strategies as st

from console.figures.flowpath import (
    CvRestriction,
    HoseRestriction,
    Restriction,
    SonicRestriction,
    chain_flow_scfm,
)
from console.figures.inputs import FigureError
from console.figures.valve import conductance_flow_lpm, cv_flow_scfm

PA_PER_PSI = 6894.757293
ROOM_K = 293.15


def _kg_per_s(scfm: float) -> float:
    return scfm * 0.028316846592 / 60 * 14.7 * PA_PER_PSI / (287.05 * ROOM_K)


@pytest.mark.parametrize("up_psi", [40, 60, 80, 100, 120])
@pytest.mark.parametrize("share", [0.01, 0.03, 0.1, 0.2])
def test_subsonic_valve_flow_is_within_5_percent_of_iec(up_psi: float, share: float) -> None:
    """The NFPA form asks for nearly the Cv that IEC 60534 sizing does, away from choking."""
    # fluids.control_valve.size_control_valve_g, xT 0.7 of a usual valve.
    up = up_psi + 14.7
    scfm = cv_flow_scfm(1, up_psi, up_psi - share * up, 68)
    # IEC's normal conditions: 0 degC, 101325 Pa.
    normal = scfm * 0.028316846592 / 60 * 273.15 / ROOM_K * 14.7 * PA_PER_PSI / 101325
    kv = size_control_valve_g(
        T=ROOM_K,
        MW=28.9647,
        mu=1.82e-5,
        gamma=1.4,
        Z=1.0,
        P1=up * PA_PER_PSI,
        P2=up * (1 - share) * PA_PER_PSI,
        Q=normal,
        xT=0.7,
    )
    assert Kv_to_Cv(kv) == pytest.approx(1, rel=0.05)


@pytest.mark.parametrize(("bore", "length"), [(0.25, 10), (0.17, 20), (0.375, 25), (0.17, 10)])
@pytest.mark.parametrize("down_psia", [109.7, 100, 80])
def test_hose_flow_is_near_isothermal_pipe_flow(
    bore: float, length: float, down_psia: float
) -> None:
    """Hoses of 40 bores and more pass what isothermal pipe flow does, but for their ends."""
    # fluids.compressible.isothermal_gas, smooth, which has neither entry nor exit.
    up_pa, down_pa = 114.7 * PA_PER_PSI, down_psia * PA_PER_PSI
    factor = 0.02
    mass = 0.0
    for _ in range(30):
        mass = isothermal_gas(
            rho=(up_pa + down_pa) / 2 / (287.05 * ROOM_K),
            fd=factor,
            P1=up_pa,
            P2=down_pa,
            L=length * 0.3048,
            D=bore * 0.0254,
        )
        factor = friction_factor(Re=4 * mass / (math.pi * bore * 0.0254 * 1.82e-5), eD=0)
    scfm = chain_flow_scfm([HoseRestriction(bore, length)], 114.7, down_psia)
    assert _kg_per_s(scfm) == pytest.approx(mass, rel=0.12)


def test_a_short_hose_passes_no_more_than_a_nozzle() -> None:
    """A hose of no length worth the name is a hole of its bore, choked."""
    nozzle = 0.685 * math.pi / 4 * (0.25 * 0.0254) ** 2 * 114.7 * PA_PER_PSI
    nozzle /= math.sqrt(287.05 * ROOM_K)
    scfm = chain_flow_scfm([HoseRestriction(0.25, 0.01)], 114.7, 14.7)
    assert _kg_per_s(scfm) == pytest.approx(nozzle, rel=0.01)


@given(st.floats(0.01, 10), st.floats(5, 150), st.floats(0, 1))
def test_a_chain_of_one_valve_is_the_valve(cv: float, up_psi: float, share: float) -> None:
    """A single restriction flows by its own formula, by Cv and by conductance."""
    up, down = up_psi + 14.7, 14.7 + up_psi * share
    flow = chain_flow_scfm([CvRestriction(cv)], up, down)
    # The published forms leave a step of 1 % where choking begins.
    assert flow == pytest.approx(cv_flow_scfm(cv, up_psi, down - 14.7, 68), rel=0.011, abs=1e-5)
    bar = 0.0689475729
    sonic = chain_flow_scfm([SonicRestriction(cv, 0.3)], up, down)
    anr = conductance_flow_lpm(cv, 0.3, up * bar, down * bar)
    assert sonic * 14.7 * bar / 0.0353146667 == pytest.approx(anr, rel=1e-6, abs=1e-4)


_PARTS = st.one_of(
    st.builds(CvRestriction, st.floats(0.02, 5)),
    st.builds(SonicRestriction, st.floats(0.1, 20), st.floats(0.1, 0.5)),
    st.builds(HoseRestriction, st.floats(0.1, 0.5), st.floats(0.5, 50)),
)


@given(st.lists(_PARTS, min_size=1, max_size=3), _PARTS, st.floats(20, 160), st.floats(0.1, 0.99))
def test_one_more_restriction_never_lets_more_through(
    chain: list[Restriction], more: Restriction, up: float, share: float
) -> None:
    """Flow is above 0 and falls with each part that is added."""
    before = chain_flow_scfm(chain, up, up * share)
    after = chain_flow_scfm([*chain, more], up, up * share)
    assert 0 < after <= before * (1 + 1e-9)


@given(st.lists(_PARTS, min_size=1, max_size=3), st.floats(20, 160), st.floats(0.1, 0.98))
def test_flow_falls_as_the_far_pressure_rises(
    chain: list[Restriction], up: float, share: float
) -> None:
    """Less difference never gives more flow, and none gives none."""
    flows = [chain_flow_scfm(chain, up, up * s) for s in (share, (1 + share) / 2, 1.0)]
    assert flows[0] >= flows[1] * (1 - 1e-9)
    assert flows[2] == 0


def test_nothing_to_flow_through_is_refused() -> None:
    """An empty chain, a valve without flow and a hose without bore are refused."""
    for call in (
        lambda: chain_flow_scfm([], 100, 50),
        lambda: CvRestriction(0),
        lambda: SonicRestriction(1, 1),
        lambda: HoseRestriction(0, 5),
    ):
        with pytest.raises(FigureError):
            call()
