"""Predicted stroke times against a plant in SI units with nozzles, heat and breakaway friction."""

from __future__ import annotations

import numpy as np
import pytest

from console.rules.physics.motion import time_of
from console.site.loading import load
from console.site.shipped import shipped
from tests.air.strokeplant import Draw, area_of_cv, nozzle, stroke_s

SITE = load(shipped("demo"))
MOTIONS = [(p, m) for p in SITE.props for m in p.motions]


@pytest.mark.parametrize(("prop", "motion"), MOTIONS, ids=lambda one: one.name)
def test_prediction_and_plant_agree_within_a_fifth(prop: object, motion: object) -> None:
    """Each motion of the demo, out and back, by its data sheet and by two other specimens."""
    predicted = time_of(motion, prop.set_pressure_psi)  # type: ignore[arg-type, attr-defined]
    assert predicted is not None
    rng = np.random.default_rng(5)
    for out, ours in ((True, predicted.out), (False, predicted.back)):
        psi = prop.set_pressure_psi  # type: ignore[attr-defined]
        for draw in (Draw(), Draw.random(rng), Draw.random(rng)):
            real = stroke_s(motion, psi, draw, out=out)  # type: ignore[arg-type]
            assert ours.arrives_s == pytest.approx(real, rel=0.25)


def test_a_cv_becomes_a_nozzle_that_passes_as_much() -> None:
    """Cv 1 at 100 psig passes 52.9 scfm choked: 22.7 x sqrt(0.47 x 0.53 / 528) x 114.7 psia."""
    flow = nozzle(area_of_cv(1.0), 114.7 * 6894.757, 101_325.0, 293.15)
    scfm = flow / (1.2041 * 0.028316846592 / 60)
    assert scfm == pytest.approx(22.7 * (0.47 * 0.53 / 528) ** 0.5 * 114.7, rel=0.01)
