"""Quantities as people write them, and what is refused."""

from __future__ import annotations

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.figures.units import UnitError, convert, quantity


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("60 psi", "psi", 60.0),
        ("100psig", "psi", 100.0),
        ("2in", "in", 2.0),
        ("1-1/16 in", "in", 1.0625),
        ("3/4in", "in", 0.75),
        ("350 ms", "s", 0.35),
        ("0.35s", "ms", 350.0),
        ("60/min", "1/min", 60.0),
        ("60 cycles/min", "1/min", 60.0),
        ("30/h", "1/min", 0.5),
        ("80degF", "degR", 539.67),
        ("20 °C", "degF", 68.0),
        ("-40 C", "F", -40.0),
        ("50ft3", "ft3", 50.0),
        ("50 ft^3", "ft**3", 50.0),
        ("660gal", "in3", 660 * 231),
        ("2 dm³/(s·bar)", "dm3/s/bar", 2.0),
        ("4800mW", "W", 4.8),
        ("95%", "", 0.95),
        ("0.5", "", 0.5),
        ("5 ft-lbf", "in*lbf", 60.0),
        ("12000 lbf*in", "lbf*ft", 1000.0),
    ],
)
def test_reads_what_people_write(text: str, unit: str, value: float) -> None:
    """A number and a unit come out as exactly the number meant."""
    assert quantity(text, unit) == value


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        # NIST Special Publication 811, appendix B.8 (from memory), to its printed digits.
        (1, "psi", "Pa", 6894.757),
        (1, "lbf", "N", 4.448222),
        (1, "gal", "L", 3.785412),
        (1, "ft3", "m3", 0.02831685),
        (1, "atm", "psi", 14.69595),
        (1, "hp", "W", 745.6999),
        (1, "cfm", "L/s", 0.4719474),
        (1, "bar", "psi", 14.50377),
        (1, "kgf", "N", 9.80665),
        (1, "ft*lbf", "J", 1.355818),
    ],
)
def test_factors_are_those_of_nist(value: float, unit: str, to: str, expected: float) -> None:
    """Conversion factors agree with NIST SP 811 to the seven digits it prints."""
    assert convert(value, unit, to) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("60", "psi", "has no unit; write a pressure, such as 60 psi"),
        ("60", "1/min", "such as 60/min"),
        ("60 in", "psi", "is a length, not a pressure"),
        ("60 PSI", "psi", "did you mean psi?"),
        ("60 psia", "psi", "gauge or absolute"),
        ("5 lb", "lbf", "is a mass, not a force"),
        ("5 deg/min", "1/min", "not a rate"),
        ("60 Deg", "deg", "did you mean deg?"),
        ("nan psi", "psi", "no number"),
        ("inf psi", "psi", "no number"),
        ("-inf", "", "no number"),
        ("1e999 psi", "psi", "too large"),
        ("1e305 psi", "mPa", "too large"),
        ("1/0 in", "in", "divides by zero"),
        ("9**9**9 psi", "psi", "no unit"),
        ("2 in**9999999", "in", "no unit"),
        ("2 in^99", "in", "no unit"),
        ("60 psi*", "psi", "no unit"),
        ("60/", "1/min", "no unit"),
        ("2 in; import os", "in", "no unit"),
        ("10 __class__", "in", "no unit"),
        ("1,5 in", "in", "no number"),
        ("1_000 in", "in", "no unit"),
        ("1.2.3 in", "in", "no number"),
        ("five in", "in", "no number"),
        ("", "in", "no number"),
        ("5 in", "", "is a length, not a plain number"),
        ("\x1b[31m2 in", "in", r"'\x1b[31m2 in'"),
        ("9" * 10_000 + " in", "in", "no number"),
    ],
)
def test_says_why_it_refuses(text: str, unit: str, says: str) -> None:
    """What is no such quantity is refused in one short line that says why."""
    with pytest.raises(UnitError) as caught:
        quantity(text, unit)
    assert says in str(caught.value)
    assert len(str(caught.value)) < 250
    assert str(caught.value).isprintable()


@given(st.text(max_size=80), st.sampled_from(["psi", "in", "1/min", "degF", ""]))
def test_no_text_does_anything_but_answer_or_refuse(text: str, unit: str) -> None:
    """Whatever is typed, the answer is a finite number or a UnitError."""
    with suppress(UnitError):
        assert math.isfinite(quantity(text, unit))


@given(
    st.from_regex(
        r"[0-9./*^()eE +-]{0,20}(psi|in|ft|s|min|h|degF)?[0-9./*^()-]{0,9}", fullmatch=True
    )
)
def test_near_misses_answer_or_refuse(text: str) -> None:
    """Texts made of the grammar's own pieces never raise anything but UnitError."""
    for unit in ("psi", "in", "1/s", ""):
        with suppress(UnitError):
            assert math.isfinite(quantity(text, unit))


_PAIRS = [
    ("psi", "kPa"),
    ("in", "mm"),
    ("gal", "L"),
    ("cfm", "L/min"),
    ("lbf", "N"),
    ("degF", "degC"),
    ("1/min", "1/h"),
    ("deg", "rad"),
]


@given(st.floats(-1e6, 1e6), st.sampled_from(_PAIRS))
def test_there_and_back_is_the_same(value: float, pair: tuple[str, str]) -> None:
    """A conversion and its inverse give the value back to 11 digits."""
    there = convert(value, *pair)
    assert convert(there, pair[1], pair[0]) == pytest.approx(value, rel=1e-11, abs=1e-9)


@given(st.floats(-1e12, 1e12))
def test_a_written_number_is_read_back_unchanged(value: float) -> None:
    """A number written with its own unit loses nothing."""
    assert quantity(f"{value!r} psi", "psi") == value
