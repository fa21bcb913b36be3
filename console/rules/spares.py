"""How many of each kind of part to bring, and how long a kind lasts.

A life is a Weibull fit of replacements, with those still in place and those taken out in good order
as right-censored. Of a kind with too few replacements the maker's B10 gives the scale, with an
assumed shape. What a part is expected to need in the strokes ahead is the renewal function of its
life, given its age; demands of one kind add up to a Poisson demand over all props.

Sources: D. R. Cox, Renewal Theory (1962), for the renewal equation; console.figures.weibull and
console.figures.spares for theirs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from console.figures.inputs import FigureError
from console.figures.spares import chance_enough, spares
from console.figures.weibull import Bounds, Weibull, beta_bounds, fit, quantile_bounds

ASSUMED_SHAPE = 2.0
"""Shape of a life of which only the maker's B10 is known: wear grows with age."""
LEAST_FAILURES = 3
"""With fewer replacements a fit says little; the maker's B10 is preferred where there is one."""
CONFIDENCE = 0.90
"""Of the bounds."""
_STEPS = 60
_MOST_LIVES = 20.0


class Ground(StrEnum):
    """What a life rests on."""

    RECORD = "replacements on record"
    FEW = "very few replacements on record"
    MAKER = "the maker's B10, shape assumed"
    NOTHING = "nothing known"


@dataclass(frozen=True, slots=True)
class Life:
    """How long a kind of part lasts, in the unit that its fittings count."""

    ground: Ground
    failures: int
    running: int
    weibull: Weibull | None = None
    b10_bounds: Bounds | None = None
    beta_bounds: Bounds | None = None


@dataclass(frozen=True, slots=True)
class InUse:
    """One part in its place: what it has done and will do in the nights ahead, and its maker's B10.

    `ahead` is None where nobody can tell.
    """

    age: float
    ahead: float | None
    b10: float | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """How many spares of a kind to bring. `bring` is None where nothing tells."""

    mean: float | None
    bring: int | None
    chance_enough: float | None
    in_use: int


def life_of(failures: Sequence[float], censored: Sequence[float], b10: float | None) -> Life:
    """What is known of a kind's life. Times are above 0; others are left out."""
    failed = [time for time in failures if time > 0]
    running = [time for time in censored if time > 0]
    fitted: Weibull | None = None
    if failed:
        try:
            fitted = fit(failed, running)
        except FigureError:
            fitted = None
    if fitted is not None and (len(failed) >= LEAST_FAILURES or b10 is None):
        return Life(
            Ground.RECORD if len(failed) >= LEAST_FAILURES else Ground.FEW,
            len(failed),
            len(running),
            fitted,
            quantile_bounds(failed, running, share=0.10, confidence=CONFIDENCE, fitted=fitted),
            beta_bounds(failed, running, confidence=CONFIDENCE, fitted=fitted),
        )
    if b10 is not None and b10 > 0:
        eta = b10 / (-math.log(0.9)) ** (1 / ASSUMED_SHAPE)
        return Life(Ground.MAKER, len(failed), len(running), Weibull(ASSUMED_SHAPE, eta))
    return Life(Ground.NOTHING, len(failed), len(running))


def expected(life: Weibull, age: float, ahead: float) -> float:
    """How many replacements one place needs while its parts do `ahead` more, the first being old.

    Renewal equation in `_STEPS` steps; past `_MOST_LIVES` lives the elementary renewal theorem.
    """
    if ahead <= 0:
        return 0.0
    mean = life.eta * math.gamma(1 + 1 / life.beta)
    if ahead > _MOST_LIVES * mean:
        return ahead / mean
    step = ahead / _STEPS
    fresh = [1 - life.survival(step * i) for i in range(_STEPS + 1)]
    renewals = [0.0]
    for i in range(1, _STEPS + 1):
        # A part that fails within a step does so in its middle; what follows is interpolated, and
        # of the newest step, which is not known yet, half is solved for.
        total = fresh[i] + (fresh[1] - fresh[0]) * renewals[i - 1] / 2
        for j in range(2, i + 1):
            total += (fresh[j] - fresh[j - 1]) * (renewals[i - j] + renewals[i - j + 1]) / 2
        renewals.append(total / (1 - (fresh[1] - fresh[0]) / 2))
    still = life.survival(age)
    if still <= 0:
        return 1.0 + renewals[-1]
    old = [1 - life.survival(age + step * i) / still for i in range(_STEPS + 1)]
    return old[-1] + sum(
        (old[j] - old[j - 1]) * (renewals[_STEPS - j] + renewals[_STEPS - j + 1]) / 2
        for j in range(1, _STEPS + 1)
    )


def need_of(life: Life, parts: Sequence[InUse], confidence: float) -> Need:
    """How many spares cover all places of a kind together, with this confidence.

    Raises FigureError unless 0 < confidence < 1.
    """
    if life.weibull is None or any(part.ahead is None for part in parts):
        return Need(None, None, None, len(parts))
    mean = sum(expected(life.weibull, max(part.age, 0.0), part.ahead or 0.0) for part in parts)
    bring = spares(mean, confidence)
    return Need(mean, bring, chance_enough(bring, mean), len(parts))
