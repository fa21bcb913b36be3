"""Signs of wear beside the charts: which cycles count, sticking valves, rising rates, causes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

IDLE_S = 20 * 60.0
COLD_CYCLES = 3
"""So many cycles after `IDLE_S` without one are left out: a cold prop is slow."""


def warm(started_s: Iterable[float]) -> list[bool]:
    """Which cycles of one prop, oldest first, were run by a warm prop and count for its charts."""
    import numpy as np

    at = np.fromiter(started_s, dtype=np.float64)
    idle = np.diff(at, prepend=-np.inf) >= IDLE_S
    cold = idle.copy()
    for back in range(1, COLD_CYCLES):
        cold[back:] |= idle[:-back]
    found: list[bool] = (~cold).tolist()
    return found


def sticks(nights: Sequence[tuple[float, Sequence[float]]]) -> bool:
    """Whether a valve sticks on the first cycle of a night: at least two of the last three.

    Each night is its first time and those after the cold ones; a first time half as long again as
    the median of the rest counts, since cold alone makes a third of that.
    """
    stuck = 0
    for first, rest in nights[-3:]:
        if len(rest) >= 5:
            ordered = sorted(rest)
            stuck += first >= 1.5 * ordered[len(ordered) // 2]
    return stuck >= 2


RISE_CHANCE = 1e-4
"""So seldom a rate that has not risen is taken for one that has."""
_LEAST_EVENTS = 5


def rising(recent: int, recent_of: float, before: int, before_of: float) -> bool:
    """Whether a rate has at least doubled, and not by chance.

    `recent` events in `recent_of` cycles against `before` in `before_of`. Given their sum, with
    equal rates the recent ones are binomial.
    """
    from scipy.special import bdtrc

    if recent < _LEAST_EVENTS or recent_of <= 0 or before_of <= 0:
        return False
    if recent / recent_of < 2 * before / before_of:
        return False
    share = recent_of / (recent_of + before_of)
    return float(bdtrc(recent - 1, recent + before, share)) < RISE_CHANCE


CAUSES = {
    "both": "usual causes: low pressure at the prop, a kinked or leaking hose, a full filter, "
    "a worn cylinder seal",
    "out": "usual causes: low pressure at the prop, a sticking valve, a leaking cylinder seal, "
    "a tired spring assist",
    "back": "usual causes: a clogged exhaust silencer or flow control, a weak return spring, "
    "a dry rod or hinge",
}
"""What usually slows a motion, by the directions that have become slow."""


def cause(directions: Iterable[str]) -> str:
    """What usually causes it when these directions are slow."""
    slow = set(directions)
    return CAUSES["both" if len(slow) > 1 else slow.pop()] if slow else ""
