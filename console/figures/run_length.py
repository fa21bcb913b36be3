"""How long a chart runs before it signals: false alarms when all is well, delay when it is not.

Values are in standard units (mean 0, deviation 1 when all is well), independent and normal. The
run length's integral equation is solved by Gauss-Legendre quadrature.

Sources: D. Brook and D. A. Evans (1972); J. M. Lucas and R. B. Crosier (1982) for the head start;
S. V. Crowder (1987).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from console.figures.inputs import FigureError, above_zero, finite, not_negative

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_NODES = 80
_LONGEST = 1e12


def cusum_run_length(
    allowance: float, decision: float, shift: float = 0.0, *, head_start: float = 0.0
) -> float:
    """Return the mean count of values to a signal of a two-sided CUSUM under a shift of the mean.

    1 / L = 1 / L(high) + 1 / L(low); with a head start u, (L+(u) L-(0) + L-(u) L+(0) - L+(0) L-(0))
    / (L+(0) + L-(0)).

    Raises:
        FigureError: The allowance or head start is under 0, the decision not above 0 or too far
            out, or the head start at or above the decision.
    """
    _check_cusum(allowance, decision, shift, head_start)
    return _checked(_both_sides(allowance, decision, shift, head_start))


def cusum_one_sided_run_length(
    allowance: float, decision: float, shift: float = 0.0, *, head_start: float = 0.0
) -> float:
    """Return the mean count of values to a signal of the high side alone.

    Raises:
        FigureError: As `cusum_run_length`.
    """
    _check_cusum(allowance, decision, shift, head_start)
    return _checked(_one_side(allowance, decision, shift, head_start))


def _check_cusum(allowance: float, decision: float, shift: float, head_start: float) -> None:
    not_negative("the allowance", allowance)
    above_zero("the decision", decision)
    finite("the shift", shift)
    if not_negative("the head start", head_start) >= decision:
        raise FigureError("a head start at or above the decision would signal at once")


def _both_sides(allowance: float, decision: float, shift: float, head_start: float) -> float:
    high, low = (_one_side(allowance, decision, way, 0.0) for way in (shift, -shift))
    if head_start == 0:
        rate = 1 / high + 1 / low
        return 1 / rate if rate else math.inf
    high_ahead, low_ahead = (
        _one_side(allowance, decision, way, head_start) for way in (shift, -shift)
    )
    if math.isinf(high) or math.isinf(low):
        return min(high_ahead, low_ahead)
    return (high_ahead * low + low_ahead * high - high * low) / (high + low)


def _one_side(allowance: float, decision: float, shift: float, head_start: float) -> float:
    import numpy as np
    from scipy.special import ndtr

    drift = allowance - shift
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    nodes, weights = (nodes + 1) * decision / 2, weights * decision / 2
    # The sum rests at 0 with a chance of its own, so 0 is a state beside the nodes.
    starts = np.concatenate(([0.0], nodes))
    step = np.empty((_NODES + 1, _NODES + 1))
    step[:, 0] = ndtr(drift - starts)
    step[:, 1:] = weights * _normal(nodes[None, :] - starts[:, None] + drift)
    lengths = np.linalg.solve(np.eye(_NODES + 1) - step, np.ones(_NODES + 1))
    onward = float((weights * _normal(nodes - head_start + drift)) @ lengths[1:])
    length = float(1 + ndtr(drift - head_start) * lengths[0] + onward)
    # Past this the equations are singular to a double's digits.
    return length if 1 <= length < _LONGEST else math.inf


def ewma_run_length(weight: float, limit: float, shift: float = 0.0) -> float:
    """Return the mean count of values to a signal of an EWMA with the limits it settles to.

    Raises:
        FigureError: The weight is not above 0 and at most 1, or the limit not above 0 or too far
            out.
    """
    import numpy as np

    if not 0 < weight <= 1:
        raise FigureError(f"the weight must be above 0 and at most 1, not {weight:g}")
    half = above_zero("the limit", limit) * math.sqrt(weight / (2 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    nodes, weights = nodes * half, weights * half
    starts = np.concatenate(([0.0], nodes))
    apart = (nodes[None, :] - (1 - weight) * starts[:, None]) / weight - finite("the shift", shift)
    step = weights * _normal(apart) / weight
    lengths = np.linalg.solve(np.eye(_NODES) - step[1:], np.ones(_NODES))
    return _checked(float(1 + step[0] @ lengths))


def cusum_decision_for(allowance: float, run_length: float) -> float:
    """Return the decision of a two-sided CUSUM that gives a false alarm once in `run_length`.

    Raises:
        FigureError: The allowance is under 0, or the run length not in 5 to 1e9.
    """
    if not 5 <= run_length <= 1e9:
        raise FigureError(f"the run length must lie between 5 and 1e9, not {run_length:g}")
    not_negative("the allowance", allowance)
    low, high = 1e-3, 1.0
    while _both_sides(allowance, high, 0.0, 0.0) < run_length:
        low, high = high, high * 1.25
    while high - low > 1e-6 * high:
        middle = (low + high) / 2
        if _both_sides(allowance, middle, 0.0, 0.0) < run_length:
            low = middle
        else:
            high = middle
    return high


def _normal(x: NDArray[np.float64]) -> NDArray[np.float64]:
    import numpy as np

    density: NDArray[np.float64] = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    return density


def _checked(length: float) -> float:
    if not 1 <= length < _LONGEST:
        raise FigureError("the limits lie too far out for a run length to be told")
    return length
