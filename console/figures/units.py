"""Quantities as people write them: `60 psi`, `2in`, `1-1/16 in`, `350 ms`, `60/min`, `80degF`.

The text is checked against a strict grammar before `pint` sees it, so nothing in it is ever
evaluated. Only the units listed here are known: a wider table would read `80 F` as farads and
`60 cycles/min` as radians. Pressures carry no gauge or absolute mark; each caller says which it
means.
"""

from __future__ import annotations

import difflib
import math
import re
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint

DEFINITIONS = """
micro- = 1e-6 = u- = µ- = μ-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
kilo- = 1e3 = k-
mega- = 1e6 = M-
second = [time] = s = sec = seconds
minute = 60 * second = min = minutes
hour = 60 * minute = h = hr = hours
day = 24 * hour = d = days
week = 7 * day = wk = weeks
year = 365.25 * day = yr = years
hertz = 1 / second = Hz
meter = [length] = m = metre = metres = meters
inch = 0.0254 * meter = in = inches
foot = 12 * inch = ft = feet
yard = 3 * foot = yd = yards
gram = [mass] = g = grams
kilogram_force = 9.80665 * newton = kgf
newton = kilo_gram * meter / second ** 2 = N
kilo_gram = 1000 * gram
pound = 0.45359237 * kilo_gram = lb = lbs = pounds
ounce = pound / 16 = oz = ounces
pound_force = 4.4482216152605 * newton = lbf
ounce_force = pound_force / 16 = ozf
pascal = newton / meter ** 2 = Pa
bar = 1e5 * pascal = barg
pound_force_per_square_inch = pound_force / inch ** 2 = psi = psig
standard_atmosphere = 101325 * pascal = atm
liter = 1e-3 * meter ** 3 = L = l = litre = liters = litres
gallon = 231 * inch ** 3 = gal = gallons
cubic_centimeter = 1e-6 * meter ** 3 = cc
cubic_foot = foot ** 3 = cuft = scf = cf
cubic_foot_per_minute = foot ** 3 / minute = cfm = scfm
liter_per_minute = liter / minute = lpm
joule = newton * meter = J
watt = joule / second = W
horsepower = 550 * foot * pound_force / second = hp
ampere = [current] = A = amp = amps
volt = watt / ampere = V = volts
ohm = volt / ampere = Ω = ohms
kelvin = [temperature]; offset: 0 = K
degree_Celsius = kelvin; offset: 273.15 = degC = °C = C
degree_Rankine = 5 / 9 * kelvin; offset: 0 = degR = °R
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF = °F = F
radian = [angle] = rad = radians
degree = 0.017453292519943295 * radian = deg = degrees = °
percent = 0.01 = %
cycle = 1 = cycles = run = runs = stroke = strokes = group = groups
"""

_KINDS = {
    "psi": "a pressure",
    "in": "a length",
    "in**2": "an area",
    "in**3": "a volume",
    "s": "a time",
    "1/s": "a rate",
    "lbf": "a force",
    "lb": "a mass",
    "lbf*in": "a torque or an energy",
    "lbf/in": "a spring rate",
    "cfm": "a flow",
    "in/s": "a speed",
    "deg": "an angle",
    "degF": "a temperature",
    "V": "a voltage",
    "A": "a current",
    "W": "a power",
    "ohm": "a resistance",
    "percent": "a plain number",
}

_MAX_TEXT = 64
_NUMBER = re.compile(
    r"""\s*(?P<sign>[+-]?)\s*
    (?:(?:(?P<whole>\d{1,9})[ -])?(?P<over>\d{1,9})/(?P<under>\d{1,9})(?![\d.])
    |(?P<plain>(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3}(?![\d.]))?))
    (?P<unit>(?:(?![\d.,]).*)?)\Z""",
    re.VERBOSE | re.DOTALL | re.ASCII,
)
_SUPERSCRIPTS = str.maketrans("²³", "23")
_PER_GROUP = re.compile(r"/\s*\(([^()/]*)\)")
_ONE = r"((?:[A-Za-zµμΩ]+|°[CFR]?|%))(?:(?:\^|\*\*)?([1-4])(?!\d))?"
_FACTOR = re.compile(rf"(\s*[/*·-]?\s*){_ONE}")
_UNIT = re.compile(rf"(?:/\s*)?{_ONE}(?:(?:\s*[/*·-]\s*|\s+){_ONE})*")


class UnitError(ValueError):
    """A text that is not the quantity asked for; the message says why and what to write."""


def quantity(text: str, unit: str) -> float:
    """Return the quantity written in `text` as a number of `unit` (`""` for a plain number).

    Args:
        text: A number and a unit, such as `60 psi`, `3/4 in`, `60/min` or `80degF`.
        unit: The unit of the answer, such as `psi`, `in`, `1/min` or `degF`.

    Raises:
        UnitError: The text is no number with a unit, the unit is missing, unknown or of another
            kind, or the value is not finite in `unit`.
    """
    number, written = _split(text)
    target = _parsed(unit)
    try:
        source = _parsed(written)
    except UnitError as error:
        raise UnitError(f"{_shown(text)}: {error}") from None
    if source.dimensionality != target.dimensionality:
        kind = _kind(unit)
        if not written:
            raise UnitError(
                f"{_shown(text)} has no unit; write {kind}, such as {text.strip()}"
                f"{'' if unit.startswith('1/') else ' '}{unit.removeprefix('1')}"
            )
        raise UnitError(f"{_shown(text)} is {_kind(written)}, not {kind} (such as {unit})")
    return _converted(number, source, target, text)


def convert(value: float, unit: str, to: str) -> float:
    """Return `value`, a number of `unit`, as a number of the unit `to`.

    Raises:
        UnitError: A unit is unknown, the two differ in kind, or the result is not finite.
    """
    source, target = _parsed(unit), _parsed(to)
    if source.dimensionality != target.dimensionality:
        raise UnitError(f"{unit!r} is {_kind(unit)}, {to!r} is {_kind(to)}")
    return _converted(value, source, target, f"{value} {unit}")


def _converted(value: float, source: pint.Unit, target: pint.Unit, text: str) -> float:
    if source == target:
        result = value
    else:
        try:
            result = float(_registry().Quantity(value, source).to(target).magnitude)
        except OverflowError:
            result = math.inf
    if not math.isfinite(result):
        raise UnitError(f"{_shown(text)} is too large to be a real value")
    # Factors and offsets leave noise in the last places: 20 degC is 68 degF, not 67.9999999999999.
    return result if source == target else float(f"{result:.13g}")


def _split(text: str) -> tuple[float, str]:
    match = _NUMBER.match(text.replace("\N{MINUS SIGN}", "-")) if len(text) <= _MAX_TEXT else None
    if match is None:
        raise UnitError(f"{_shown(text)} is no number with a unit; write it like 60 psi or 2.5 in")
    if match["plain"] is not None:
        number = float(match["plain"])
    elif int(match["under"]) == 0:
        raise UnitError(f"{_shown(text)} divides by zero")
    else:
        number = int(match["whole"] or 0) + int(match["over"]) / int(match["under"])
    if not math.isfinite(number):
        raise UnitError(f"{_shown(text)} is too large to be a real value")
    return (-number if match["sign"] == "-" else number), match["unit"].strip()


@cache
def _parsed(written: str) -> pint.Unit:
    text = written.translate(_SUPERSCRIPTS).strip()
    text = re.sub(r"^1\s*(?=/)", "", text)
    # `dm3/(s*bar)` divides by each: the same as `dm3/s/bar`.
    text = _PER_GROUP.sub(lambda group: "/" + re.sub(r"[\s*·]+", "/", group[1].strip()), text)
    unit: pint.Unit = _registry().Unit("")
    if not text:
        return unit
    if not _UNIT.fullmatch(text):
        raise UnitError(f"{_shown(written)} is no unit")
    for sign, name, power in _FACTOR.findall(text):
        one = _named(name) ** int(power or 1)
        unit = unit / one if "/" in sign else unit * one
    return unit


def _named(name: str) -> pint.Unit:
    registry = _registry()
    if name == "psia":
        raise UnitError("psia: write psi; whether it is gauge or absolute goes with the place")
    # Only names the table holds, with at most one prefix, reach the registry.
    if registry.parse_unit_name(name):
        return registry.Unit(registry.get_name(name))
    near = [known for known in _known() if known.lower() == name.lower()]
    near = near or difflib.get_close_matches(name, _known(), n=1)
    hint = f"did you mean {near[0]}?" if near else "try psi, bar, in, mm, ft, s, ms, min, lbf, gal"
    raise UnitError(f"unknown unit {_shown(name)}; {hint}")


@cache
def _known() -> tuple[str, ...]:
    lines = [line.split(";")[0].split(" = ") for line in DEFINITIONS.strip().splitlines()]
    return tuple(
        name for line in lines if not line[0].endswith("-") for name in line[:1] + line[2:]
    )


def _kind(unit: str) -> str:
    dimension = _parsed(unit).dimensionality
    for known, kind in _KINDS.items():
        if _parsed(known).dimensionality == dimension:
            return kind
    return f"a quantity like {unit}"


def _shown(text: str) -> str:
    return repr(text if len(text) <= _MAX_TEXT else text[:_MAX_TEXT] + "…")


def _registry() -> pint.UnitRegistry[float]:
    # Imported late: it takes a tenth of a second, which most commands need not spend.
    from console.figures.registry import REGISTRY

    return REGISTRY
