"""Plants for the tests."""

from __future__ import annotations

from drivers.simulated.description import (
    BoardSpec,
    MotionSpec,
    PlantDescription,
    PressureGauge,
    SensorKind,
    SensorSpec,
    ZoneSpec,
)


def plant_of(boards: int, *, walk_s: float = 60.0, shared: int = 0) -> PlantDescription:
    """So many boards, each with a sensor and a motion; the last `shared` are on one line."""
    names = [f"board-{n}" for n in range(1, boards + 1)]
    alone = boards - shared
    return PlantDescription(
        tuple(
            BoardSpec(
                name,
                f"line-{n}" if n <= alone else "shared",
                n,
                supply_mv=24_000,
                gauge=PressureGauge() if n == 1 else None,
            )
            for n, name in enumerate(names, 1)
        ),
        tuple(
            MotionSpec(
                name, 1, out_s=0.25, back_s=0.3, double=n % 2 == 0, out_input=2, home_input=3
            )
            for n, name in enumerate(names)
        ),
        tuple(
            SensorSpec(name, 1, list(SensorKind)[n % 3], f"zone-{n % 4}", at=(n + 1) / (boards + 1))
            for n, name in enumerate(names)
        ),
        tuple(ZoneSpec(f"zone-{n}", walk_s) for n in range(4)),
    )
