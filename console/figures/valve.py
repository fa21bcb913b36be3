"""Flow of air through valves, by the two ratings that makers print.

There is no single factor between Cv and sonic conductance, and none is used here.

Sources: NFPA T3.21.3 (22.48 form, flow below the critical pressure drop); A. Esposito, Fluid
Power with Applications, example 13-10 (22.7 form, choked flow at p2 = 0.53 p1); ISO 6358-1.
"""

from __future__ import annotations

import math

from console.figures.air import ATMOSPHERE_PSIA, rankine
from console.figures.inputs import FigureError, above_zero, finite, not_negative

CV_DEGF = 80.0
CV_CRITICAL = 0.53
_NFPA = 22.48
_ESPOSITO = 22.7
# The critical ratio is printed to two digits, so every ratio that rounds to it counts as choked.
_CHOKED_BELOW = 0.535

ANR_DEGF = 68.0
_ANR_RANKINE = 527.67
DEFAULT_CRITICAL = 0.3


def cv_flow_scfm(cv: float, up_psi: float, down_psi: float, temp_degf: float = CV_DEGF) -> float:
    """Return the free air through a valve of flow coefficient `cv`, pressures gauge.

    Q = 22.48 Cv sqrt((p1 - p2) p2 / T1); at p2 <= 0.53 p1 the flow is choked and
    Q = 22.7 Cv sqrt((p1 - p2) p2 / T1) with p2 = 0.53 p1; p in psia, T in degR.

    Raises:
        FigureError: Cv is not above 0, a pressure below vacuum, the downstream pressure above the
            upstream one, or the temperature impossible.
    """
    above_zero("Cv", cv)
    up, down = _absolute("upstream", up_psi), _absolute("downstream", down_psi)
    return cv_flow_abs_scfm(cv, up, down, temp_degf)


def cv_flow_abs_scfm(
    cv: float, up_psia: float, down_psia: float, temp_degf: float = CV_DEGF
) -> float:
    """Return the same flow as `cv_flow_scfm` for absolute pressures."""
    _downhill(up_psia, down_psia)
    hot = rankine(temp_degf)
    if down_psia < _CHOKED_BELOW * up_psia:
        return _ESPOSITO * cv * up_psia * math.sqrt((1 - CV_CRITICAL) * CV_CRITICAL / hot)
    return _NFPA * cv * math.sqrt((up_psia - down_psia) * down_psia / hot)


def cv_for(flow_scfm: float, up_psi: float, drop_psi: float, temp_degf: float = CV_DEGF) -> float:
    """Return the Cv that passes a flow at a pressure drop below the critical one.

    Source: NFPA T3.21.3, sizing.

    Raises:
        FigureError: The flow or the drop is not above 0, or the drop leaves no pressure.
    """
    above_zero("the flow", flow_scfm)
    above_zero("the pressure drop", drop_psi)
    return flow_scfm / cv_flow_scfm(1.0, up_psi, up_psi - drop_psi, temp_degf)


def conductance_flow_lpm(
    conductance: float,
    critical: float,
    up_bar_abs: float,
    down_bar_abs: float,
    temp_degf: float = ANR_DEGF,
) -> float:
    """Return the flow in L/min ANR (20 degC, 1 bar) by sonic conductance, pressures absolute.

    Q = 60 C p1 sqrt(293.15 / T) sqrt(1 - ((r - b) / (1 - b))^2), with r = p2 / p1 and the last
    root 1 where r <= b. C in dm3/(s bar), `critical` is b.

    Source: ISO 6358-1.

    Raises:
        FigureError: The conductance is not above 0, the critical ratio not in 0 to under 1, a
            pressure not above 0, the downstream pressure above the upstream one, or the
            temperature impossible.
    """
    above_zero("the conductance", conductance)
    if not 0 <= critical < 1:
        raise FigureError(f"the critical ratio must be 0 or more and under 1, not {critical:g}")
    above_zero("the upstream pressure", up_bar_abs)
    not_negative("the downstream pressure", down_bar_abs)
    _downhill(up_bar_abs, down_bar_abs)
    beyond = max(down_bar_abs / up_bar_abs - critical, 0.0) / (1 - critical)
    shape = math.sqrt(max(1 - beyond * beyond, 0.0))
    return 60 * conductance * up_bar_abs * math.sqrt(_ANR_RANKINE / rankine(temp_degf)) * shape


def critical_ratio(k: float = 1.4) -> float:
    """Return the pressure ratio at which an ideal nozzle chokes: (2 / (k + 1))^(k / (k - 1)).

    Raises:
        FigureError: `k` is not above 1.
    """
    above_zero("k - 1", k - 1)
    return float((2 / (k + 1)) ** (k / (k - 1)))


def _absolute(side: str, pressure_psi: float) -> float:
    absolute = finite(f"the {side} pressure", pressure_psi) + ATMOSPHERE_PSIA
    if absolute < 0:
        raise FigureError(f"the {side} pressure of {pressure_psi:g} psi lies below a vacuum")
    return absolute


def _downhill(up: float, down: float) -> None:
    if down > up:
        raise FigureError(
            f"the downstream pressure is above the upstream one ({down:g} over {up:g} absolute): "
            "air does not flow that way"
        )
