"""The air model and the predicted stroke times against a plant that is integrated independently.

    python -m tests.proof.air_proof [--nights 50] [--groups 200] [--seed 1] [--json]

The plant (`tests/air/airplant.py`, `tests/air/strokeplant.py`) is in SI units with mass and energy
balances and every parameter drawn around the demo site's; it shares no code with the console. A
night opens at 18:30; a leak of 1 scfm opens at 21:00, a compressor loses 30 % at 20:30.
"""

from __future__ import annotations

import argparse
import json
import time

import numpy as np

from console.figures.inputs import FigureError
from console.rules.air import Cause
from console.rules.physics.motion import time_of
from console.site.loading import load
from console.site.models import Site
from console.site.shipped import shipped
from tests.air.airfollow import follow
from tests.air.airplant import Fault, Night, Plant
from tests.air.strokeplant import Draw, stroke_s

NINE_PM_S = 9000.0
HALF_PAST_EIGHT_S = 7200.0
_GROUP_S = 72.0


def nights_of(
    site: Site, seed: int, nights: int, groups: int, fault: Fault | None = None
) -> list[Night]:
    """Nights of the plant."""
    return Plant(site, seed, nights=nights, groups=groups, headway_s=_GROUP_S, fault=fault).run()


def errors(site: Site, nights: list[Night], *, sensor: bool) -> dict[str, float]:
    """How far the predicted pressure is off in psi, and how often anything is named."""
    off, within, count = [], 0, 0
    named = dict.fromkeys(Cause, 0)
    for night in nights:
        got = follow(site, night, sensor=sensor)
        error = got.error(night)
        off.append(error)
        within += int((np.abs(error) <= 2 * got.sigma[60:]).sum())
        count += len(error)
        for cause in got.named:
            named[cause] += 1
    every = np.concatenate(off)
    return {
        "nights": len(nights),
        "rms_psi": float(np.sqrt((every**2).mean())),
        "p95_psi": float(np.percentile(np.abs(every), 95)),
        "within_2_sigma": within / count,
        **{f"false {cause.value}": times for cause, times in named.items()},
    }


def naming(site: Site, nights: list[Night], cause: Cause, since_s: float) -> dict[str, float]:
    """In how many minutes a fault is named, how often not, and how often something else is."""
    minutes, missed, wrong = [], 0, 0
    for night in nights:
        named = follow(site, night, sensor=True).named
        at = named.get(cause)
        if at is None:
            missed += 1
        elif at[0] >= since_s:
            minutes.append((at[0] - since_s) / 60)
        wrong += sum(other is not cause or when[0] < since_s for other, when in named.items())
    return {
        "median_min": float(np.median(minutes)) if minutes else float("nan"),
        "worst_min": max(minutes, default=float("nan")),
        "missed": missed,
        "wrong": wrong,
        "nights": len(nights),
    }


def strokes(site: Site, seed: int, draws: int) -> dict[str, float]:
    """Predicted over simulated stroke times, for every motion, out and back."""
    rng = np.random.default_rng(seed)
    off = []
    for prop in site.props:
        for motion in prop.motions:
            try:
                predicted = time_of(motion, prop.set_pressure_psi or 0.0)
            except FigureError:
                continue
            if predicted is None:
                continue
            for out in (True, False):
                ours = (predicted.out if out else predicted.back).arrives_s
                for _ in range(draws):
                    real = stroke_s(motion, prop.set_pressure_psi or 0.0, Draw.random(rng), out=out)
                    off.append(ours / real - 1)
    every = np.array(off)
    return {
        "strokes": len(every),
        "median": float(np.median(every)),
        "rms": float(np.sqrt((every**2).mean())),
        "p90": float(np.percentile(np.abs(every), 90)),
        "worst": float(np.abs(every).max()),
    }


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=50)
    parser.add_argument("--faulty", type=int, default=20, help="nights with each fault")
    parser.add_argument("--groups", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    site = load(shipped("demo"))
    began = time.monotonic()
    sound = nights_of(site, given.seed, given.nights, given.groups)
    leak = nights_of(
        site, given.seed + 1, given.faulty, given.groups, Fault(NINE_PM_S, leak_scfm=1.0)
    )
    tired = nights_of(
        site, given.seed + 2, given.faulty, given.groups, Fault(HALF_PAST_EIGHT_S, strength=0.7)
    )
    figures: dict[str, dict[str, float]] = {
        "with sensor": errors(site, sound, sensor=True),
        "without sensor": errors(site, sound[: max(1, given.nights // 5)], sensor=False),
        "leak": naming(site, leak, Cause.LEAK, NINE_PM_S),
        "tired": naming(site, tired, Cause.TIRED, HALF_PAST_EIGHT_S),
        "strokes": strokes(site, given.seed, 20),
        "took": {"s": round(time.monotonic() - began, 1)},
    }
    if given.json:
        print(json.dumps(figures))
        return
    print(f"{given.groups} groups a night on {site.name}, seed {given.seed}")
    for name in ("with sensor", "without sensor"):
        p = figures[name]
        print(
            f"tank pressure {name:<15} {p['nights']:.0f} nights: rms {p['rms_psi']:.2f} psi, 95 % "
            f"within {p['p95_psi']:.2f} psi; {p['within_2_sigma']:.0%} within two of its own sigmas"
        )
    for name, says in (("leak", "1 scfm leak"), ("tired", "compressor at 70 %")):
        f = figures[name]
        print(
            f"{says:<18} named after {f['median_min']:.1f} min (worst {f['worst_min']:.1f}), "
            f"missed {f['missed']:.0f} and wrong {f['wrong']:.0f} of {f['nights']:.0f}"
        )
    sound_nights = figures["with sensor"]
    false = ", ".join(
        f"{times:.0f} {name.removeprefix('false ')}"
        for name, times in sound_nights.items()
        if name.startswith("false ")
    )
    print(f"false alarms in {sound_nights['nights']:.0f} sound nights: {false}")
    s = figures["strokes"]
    print(
        f"stroke times: {s['strokes']:.0f} strokes, median {s['median']:+.1%}, rms {s['rms']:.1%}, "
        f"90 % within {s['p90']:.1%}, worst {s['worst']:.1%}"
    )
    print(f"took {figures['took']['s']} s")


if __name__ == "__main__":
    main()
