"""What the props took of the air, and what the compressor had to do for it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from console.figures.units import UnitError, quantity
from console.reports.kinds import Value
from console.rules.airuse import delivered_scfm
from console.rules.airused import PropAir, air_of_night
from console.site.models import Site

Row = tuple[Value, ...]


@dataclass(slots=True)
class _Counted:
    """What the ledger has of one prop in one night."""

    runs: dict[str, int] = field(default_factory=dict)
    strokes: dict[str, int] = field(default_factory=dict)
    gauge_psi: float | None = None


@dataclass(frozen=True, slots=True)
class AirUsed:
    """What was used, by night and prop; None for a prop that the site file does not have."""

    nights: dict[int, dict[str, PropAir | None]]

    def of_night(self, night_id: int) -> float:
        """What the props together took in a night, in scf, as far as it is known."""
        return sum(found.scf or 0.0 for found in self.nights.get(night_id, {}).values() if found)

    @property
    def all_scf(self) -> float:
        """What they took in all nights."""
        return sum(map(self.of_night, self.nights))


def air_used(site: Site, rows: Iterable[Sequence[Value]]) -> AirUsed:
    """What the rows of the section's query come to.

    Raises:
        FigureError: A cylinder of the site file is impossible.
    """
    counted: dict[int, dict[str, _Counted]] = {}
    for night_id, _, prop, what, name, amount in rows:
        of_prop = counted.setdefault(int(night_id or 0), {}).setdefault(str(prop), _Counted())
        if what == "runs":
            of_prop.runs[str(name)] = int(amount or 0)
        elif what == "strokes":
            of_prop.strokes[str(name)] = int(amount or 0)
        else:
            of_prop.gauge_psi = _psi(str(name))
    props = {prop.name: prop for prop in site.props}
    return AirUsed(
        {
            night_id: {
                name: air_of_night(props[name], has.runs, has.strokes, has.gauge_psi)
                if name in props
                else None
                for name, has in by_prop.items()
                if name not in props or props[name].motions
            }
            for night_id, by_prop in counted.items()
        }
    )


def prop_rows(used: AirUsed) -> tuple[Row, ...]:
    """A row a prop over all nights, the hungriest first, those of whom nothing is known last."""
    by_prop: dict[str, list[PropAir | None]] = {}
    for of_night in used.nights.values():
        for name, found in of_night.items():
            by_prop.setdefault(name, []).append(found)
    total = used.all_scf
    rows = [_prop_row(name, [f for f in found if f], total) for name, found in by_prop.items()]
    return tuple(sorted(rows, key=lambda row: (-float(row[6] or -1.0), str(row[0]))))


def _prop_row(name: str, found: Sequence[PropAir], total_scf: float) -> Row:
    known = [one for one in found if one.scf is not None]
    scf = sum(one.scf or 0.0 for one in known)
    runs = sum(one.runs for one in found)
    weighed = sum((one.psi or 0.0) * max(one.runs, 1) for one in known)
    return (
        name,
        runs if found else None,
        weighed / sum(max(one.runs, 1) for one in known) if known else None,
        sum(one.runs_scf or 0.0 for one in known) if known else None,
        sum(one.strokes for one in found) if found else None,
        sum(one.strokes_scf or 0.0 for one in known) if known else None,
        scf if known else None,
        scf / total_scf if known and total_scf > 0 else None,
        sum(one.unknown_runs for one in found) if found else None,
    )


def night_rows(
    site: Site, used: AirUsed, rows: Iterable[Sequence[Value]], now_ns: int
) -> tuple[Row, ...]:
    """A row a night, from the rows of the section's query; an open night lasts until `now_ns`."""
    compressor = site.air.compressor
    found: list[Row] = []
    for night_id, night, opened_ns, closed_ns, ran_ms in rows:
        open_min = max(0, int(closed_ns or now_ns) - int(opened_ns or 0)) / 6e10
        leak_scf = (site.air.leak_scfm or 0.0) * open_min
        props_scf = used.of_night(int(night_id or 0))
        needs_s = None
        if compressor is not None:
            gives_scfm = delivered_scfm(compressor, compressor.cut_in_psi)
            needs_s = (props_scf + leak_scf) / gives_scfm * 60
        ran_s = None if ran_ms is None else float(ran_ms) / 1000
        found.append((night, props_scf, leak_scf, props_scf + leak_scf, needs_s, ran_s))
    return tuple(found)


def _psi(reading: str) -> float | None:
    """What somebody read off a gauge; None where that is no pressure."""
    try:
        return quantity(reading, "psi")
    except UnitError:
        return None
