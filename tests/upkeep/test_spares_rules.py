"""Lives and spares: renewals against simulation and closed forms, fits against scipy."""

from __future__ import annotations

import random
import statistics

import pytest
from scipy.stats import CensoredData, weibull_min

from console.figures.inputs import FigureError
from console.figures.weibull import Weibull
from console.rules.spares import Ground, InUse, Life, expected, life_of, need_of


def test_without_wear_renewals_are_a_poisson_process() -> None:
    """Shape 1: as many as the stretch holds mean lives, whatever the age (identity)."""
    for age, ahead in ((0.0, 3.0), (2.0, 0.5), (10.0, 1.0), (0.0, 30.0)):
        assert expected(Weibull(1.0, 1.0), age, ahead) == pytest.approx(ahead, rel=2e-3)


@pytest.mark.parametrize(
    ("shape", "age", "ahead"),
    [(2.0, 0.0, 1.0), (2.0, 0.0, 5.0), (3.0, 0.9, 0.5), (1.5, 0.3, 2.0), (4.0, 1.2, 0.4)],
)
def test_renewals_match_simulated_places(shape: float, age: float, ahead: float) -> None:
    """One place, its first part of that age, replaced whenever it fails."""
    rng = random.Random(8)
    counts = []
    for _ in range(8000):
        life = rng.weibullvariate(1, shape)
        while life <= age:
            life = rng.weibullvariate(1, shape)
        count, at = 0, life - age
        while at <= ahead:
            count += 1
            at += rng.weibullvariate(1, shape)
        counts.append(count)
    assert expected(Weibull(shape, 1.0), age, ahead) == pytest.approx(
        statistics.mean(counts), abs=0.03
    )
    assert expected(Weibull(shape, 1.0), age, 0) == 0


def test_a_life_on_record_is_the_fit_of_failures_and_survivors() -> None:
    """Against scipy's fit of the same censored sample."""
    failed = [5400.0, 18700, 21600, 24000, 24400]
    running = [50_000.0, 12_000, 30_000]
    life = life_of(failed, [*running, 0.0], b10=1_000_000)
    shape, _, scale = weibull_min.fit(CensoredData(failed, right=running), floc=0)
    assert life.ground is Ground.RECORD
    assert life.weibull is not None
    assert life.weibull.beta == pytest.approx(shape, rel=1e-3)
    assert life.weibull.eta == pytest.approx(scale, rel=1e-3)
    assert life.b10_bounds is not None
    assert life.b10_bounds.lower is not None
    assert life.b10_bounds.lower < life.weibull.b10
    assert life.running == 3


def test_the_maker_is_believed_until_there_is_a_record() -> None:
    """Two failures say little beside a B10; without one they are better than nothing."""
    life = life_of([100.0, 300], [500.0], b10=5000)
    assert life.ground is Ground.MAKER
    assert life.weibull is not None
    assert life.weibull.b10 == pytest.approx(5000)
    assert life_of([100.0, 300], [500.0], None).ground is Ground.FEW
    assert life_of([], [500.0], None).ground is Ground.NOTHING
    assert life_of([100.0, 100.0], [], 700).ground is Ground.MAKER


def test_kinds_that_several_props_share_are_pooled() -> None:
    """Ten places that each need little need one together."""
    life = Life(Ground.MAKER, 0, 0, Weibull(1.0, 1000.0))
    one = need_of(life, [InUse(0, 34.7222)], 0.98)
    ten = need_of(life, [InUse(0, 34.7222)] * 10, 0.98)
    assert one.mean == pytest.approx(0.0347222, rel=1e-3)
    # Published pair: mean 0.347222 at 98 % is 2 spares.
    assert ten.mean == pytest.approx(0.347222, rel=1e-3)
    assert ten.bring == 2
    assert ten.chance_enough is not None
    assert ten.chance_enough >= 0.98


def test_what_nothing_tells_is_not_made_up() -> None:
    """No life, or no nights to judge by: no number."""
    assert need_of(Life(Ground.NOTHING, 0, 0), [InUse(0, 10)], 0.9).bring is None
    known = Life(Ground.MAKER, 0, 0, Weibull(2.0, 1000.0))
    assert need_of(known, [InUse(0, None)], 0.9).bring is None
    with pytest.raises(FigureError):
        need_of(known, [InUse(0, 10)], 1.5)
