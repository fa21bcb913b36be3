"""What would be if a motion had another cylinder, valve, hose or pressure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from console.rules.airuse import sequence_scf
from console.rules.physics.motion import Figures, figures_of, pressure_of
from console.rules.physics.swinging import turns_of
from console.site.compiling import compiled
from console.site.models import Hose, Motion, Prop, Site, Valve

Part = Literal["prop", "cylinder", "valve", "hose"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that can be changed: its part, its field and the field's unit."""

    part: Part
    field: str
    unit: str


CHANGES: dict[str, Change] = {
    "bore": Change("cylinder", "bore_in", "in"),
    "stroke": Change("cylinder", "stroke_in", "in"),
    "rod": Change("cylinder", "rod_in", "in"),
    "count": Change("cylinder", "count", ""),
    "load": Change("cylinder", "load_lbf", "lbf"),
    "assist": Change("cylinder", "assist_lbf", "lbf"),
    "spring": Change("cylinder", "spring_lbf", "lbf"),
    "moving": Change("cylinder", "moving_lb", "lb"),
    "pressure": Change("prop", "set_pressure_psi", "psi"),
    "cv": Change("valve", "cv", ""),
    "exhaust-cv": Change("valve", "exhaust_cv", ""),
    "flow-control-cv": Change("valve", "flow_control_cv", ""),
    "hose-length": Change("hose", "length_ft", "ft"),
    "hose-inside": Change("hose", "inside_in", "in"),
}
"""By the name of the option."""


class CannotChange(ValueError):
    """The motion has no such part in the site file; the message says which."""


@dataclass(frozen=True, slots=True)
class Side:
    """The figures of a motion before or after; None where the file does not say enough."""

    pressure_psi: float
    bore_in: float
    push_lbf: float | None
    net_lbf: float | None
    margin: float | None
    needed: float
    out_ms: float | None
    back_ms: float | None
    end_in_per_s: float | None
    stroke_scf: float
    cycle_scf: float
    swing_deg: float | None
    stuck: str = ""


def changed(
    site: Site, prop: Prop, motion: Motion, values: Mapping[str, float]
) -> tuple[Prop, Motion]:
    """The prop and its motion with `values`, by option name, in the units of `CHANGES`.

    A new `cv` counts both ways unless `exhaust-cv` is given too.

    Raises:
        CannotChange: The motion has no such part to change.
    """
    parts: dict[str, dict[str, float]] = {"prop": {}, "cylinder": {}, "valve": {}, "hose": {}}
    for name, value in values.items():
        parts[CHANGES[name].part][CHANGES[name].field] = value
    if "cv" in values and "exhaust-cv" not in values:
        parts["valve"]["exhaust_cv"] = values["cv"]
    if motion.cylinder is None:
        raise CannotChange(f"{prop.name}.{motion.name} has no cylinder in the site file")
    whole = {"count": int(values["count"])} if "count" in values else {}
    update: dict[str, object] = {
        "cylinder": motion.cylinder.model_copy(update=parts["cylinder"] | whole)
    }
    if parts["valve"]:
        valve = motion.valve or Valve()
        update["valve"] = valve.model_copy(update=parts["valve"] | _one_rating(parts["valve"]))
    if parts["hose"]:
        update["hose"] = _hose(motion, parts["hose"])
    other = motion.model_copy(update=update)
    motions = tuple(other if m.name == motion.name else m for m in prop.motions)
    new = prop.model_copy(update={"motions": motions, **parts["prop"]})
    props = tuple(new if p.name == prop.name else p for p in site.props)
    new = compiled(site.model_copy(update={"props": props})).prop(prop.name)
    return new, new.motion(motion.name)


def side(prop: Prop, motion: Motion) -> Side:
    """The figures of one side.

    Raises:
        CannotChange: The prop has no pressure, or the motion no cylinder.
        FigureError: No cylinder can have these dimensions.
    """
    pressure = pressure_of(prop)
    if pressure is None:
        raise CannotChange(f"{prop.name} has no set_pressure in the site file")
    figures = figures_of(motion, pressure)
    if figures is None or motion.cylinder is None:
        raise CannotChange(f"{prop.name}.{motion.name} has no cylinder in the site file")
    return _side(prop, motion, figures)


def _side(prop: Prop, motion: Motion, figures: Figures) -> Side:
    assert motion.cylinder is not None
    pushing, time = figures.pushing, figures.time
    turns = turns_of(motion.cylinder)
    return Side(
        pressure_psi=figures.pressure_psi,
        bore_in=motion.cylinder.bore_in,
        push_lbf=pushing.push_lbf if pushing else None,
        net_lbf=pushing.load.net_lbf if pushing else None,
        margin=pushing.margin if pushing and pushing.load.net_lbf > 0 else None,
        needed=pushing.needed if pushing else 0.0,
        out_ms=time.out.arrives_s * 1000 if time else None,
        back_ms=time.back.arrives_s * 1000 if time else None,
        end_in_per_s=time.out.end_in_per_s if time else None,
        stroke_scf=figures.air.out_scf + figures.air.back_scf,
        cycle_scf=sequence_scf(prop, prop.default_sequence),
        swing_deg=turns[-1].angle_deg - turns[0].angle_deg if turns else None,
        stuck=figures.stuck,
    )


def _one_rating(valve: Mapping[str, float]) -> dict[str, None]:
    """A valve asked for by its Cv is not rated by conductance any more."""
    return {"conductance": None, "critical_ratio": None} if "cv" in valve else {}


def _hose(motion: Motion, given: Mapping[str, float]) -> Hose:
    if motion.hose is not None:
        return motion.hose.model_copy(update=given)
    if set(given) != {"length_ft", "inside_in"}:
        raise CannotChange(
            f"{motion.name} has no hose in the site file: give both its length and its inside"
        )
    return Hose(length_ft=given["length_ft"], inside_in=given["inside_in"])
