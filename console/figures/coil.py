"""Currents of coils, what a supply must bear, and what the wire loses.

Sources: I = P / V; NEC chapter 9 table 8 (uncoated copper, stranded, direct current, 75 degC);
NEC 210.20(A), whose 125 % for continuous load is used here for a supply by choice.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from console.figures.inputs import FigureError, above_zero, not_negative

CONTINUOUS = 1.25
DROP_WARN_PERCENT = 5.0
DROP_PROBLEM_PERCENT = 10.0

# Ohms for 1000 ft.
_NEC_TABLE_8 = {
    "18": 7.95,
    "16": 4.99,
    "14": 3.14,
    "12": 1.98,
    "10": 1.24,
    "8": 0.778,
    "6": 0.491,
    "4": 0.308,
    "3": 0.245,
    "2": 0.194,
    "1": 0.154,
    "1/0": 0.122,
    "2/0": 0.0967,
    "3/0": 0.0766,
    "4/0": 0.0608,
}
# The table ends at 18 and has gaps; the rest follows by area: 92^(1/19.5) a size (ASTM B258).
_SIZE_RATIO = 92 ** (1 / 19.5)
_THICKEST, _THINNEST = 1, 30


@dataclass(frozen=True, slots=True)
class CoilOn:
    """One coil energized from `start_ms` until `end_ms` of its sequence."""

    start_ms: float
    end_ms: float
    current_a: float


@dataclass(frozen=True, slots=True)
class Peak:
    """The most current of a sequence, and when it first flows."""

    current_a: float
    at_ms: float


@dataclass(frozen=True, slots=True)
class Overlap:
    """The most current of props that may run together, and which props those are."""

    current_a: float
    props: tuple[str, ...]


def current_a(power_w: float, voltage_v: float) -> float:
    """Return a coil's current: I = P / V.

    Raises:
        FigureError: The power or the voltage is not above 0.
    """
    return above_zero("the power", power_w) / above_zero("the voltage", voltage_v)


def usable_a(supply_a: float) -> float:
    """Return what a supply may carry for long: its rating over 125 %.

    Raises:
        FigureError: The rating is not above 0.
    """
    return above_zero("the supply's rating", supply_a) / CONTINUOUS


def ohm_per_kft(awg: str | int) -> float:
    """Return a stranded copper wire's resistance in ohms for 1000 ft, `awg` as 18 or `2/0`.

    Sizes from 1 to 30 that the table leaves out are scaled by area from the next it has.

    Raises:
        FigureError: There is no such size.
    """
    size = str(awg).strip()
    if size in _NEC_TABLE_8:
        return _NEC_TABLE_8[size]
    if not (size.isascii() and size.isdigit() and _THICKEST <= int(size) <= _THINNEST):
        raise FigureError(f"AWG must be 1 to {_THINNEST} or 1/0 to 4/0, not {size[:12]!r}")
    number = int(size)
    near = min(
        (int(known) for known in _NEC_TABLE_8 if known.isdigit()),
        key=lambda known: abs(known - number),
    )
    return float(_NEC_TABLE_8[str(near)] * _SIZE_RATIO ** (number - near))


def wire_drop_v(awg: str | int, length_ft: float, current_a: float) -> float:
    """Return the voltage lost out and back over a run: 2 L R I / 1000, `length_ft` one way.

    Raises:
        FigureError: The size is unknown, the length not above 0, or the current under 0.
    """
    resistance = ohm_per_kft(awg)
    above_zero("the length", length_ft)
    return 2 * length_ft * resistance * not_negative("the current", current_a) / 1000


def sequence_peak(coils: Iterable[CoilOn]) -> Peak:
    """Return the most current that flows at once in a sequence.

    A coil that goes off as another comes on is not counted with it.

    Raises:
        FigureError: A coil ends before it starts, or carries a current under 0.
    """
    edges: list[tuple[float, float]] = []
    for coil in coils:
        if not coil.end_ms >= coil.start_ms:
            raise FigureError(f"a coil on at {coil.start_ms:g} ms cannot go off before that")
        change = not_negative("a coil's current", coil.current_a)
        edges += [(coil.start_ms, change), (coil.end_ms, -change)]
    flowing, best = 0.0, Peak(0.0, 0.0)
    for at_ms, change in sorted(edges):
        flowing += change
        # A sum of decimals that went up and down again is off by its last bits.
        if flowing > best.current_a + 1e-9:
            best = Peak(flowing, at_ms)
    return best


def worst_overlap(peaks_a: Mapping[str, float], apart: Iterable[Collection[str]] = ()) -> Overlap:
    """Return the most that props sharing a supply can draw together, each at its own peak.

    Nothing holds one prop's sequence against another's, so peaks add. Of the props in one entry of
    `apart` only one runs at a time; a prop may stand in several entries.

    Raises:
        FigureError: A peak is under 0.
    """
    rivals: dict[str, set[str]] = {prop: set() for prop in peaks_a}
    for prop, peak in peaks_a.items():
        not_negative(f"the peak of {prop}", peak)
    for group in apart:
        for prop in rivals.keys() & set(group):
            rivals[prop] |= (rivals.keys() & set(group)) - {prop}
    order = sorted(peaks_a, key=lambda prop: (-peaks_a[prop], prop))
    best: tuple[float, tuple[str, ...]] = (0.0, ())

    def choose(left: list[str], drawn: float, chosen: tuple[str, ...]) -> None:
        nonlocal best
        if drawn > best[0]:
            best = (drawn, chosen)
        if not left or drawn + sum(peaks_a[prop] for prop in left) <= best[0]:
            return
        first, rest = left[0], left[1:]
        choose(
            [p for p in rest if p not in rivals[first]], drawn + peaks_a[first], (*chosen, first)
        )
        if rivals[first] & set(rest):
            choose(rest, drawn, chosen)

    choose(order, 0.0, ())
    return Overlap(best[0], tuple(sorted(best[1])))
