"""What every figure asks of its inputs, so that nothing impossible turns into a number."""

from __future__ import annotations

import math


class FigureError(ValueError):
    """Inputs that no real thing can have; the message says which and why."""


def above_zero(name: str, value: float) -> float:
    """Return `value`, a finite number above 0.

    Raises:
        FigureError: It is not; the message begins with `name`.
    """
    if not (math.isfinite(value) and value > 0):
        raise FigureError(f"{name} must be above 0, not {value:g}")
    return value


def not_negative(name: str, value: float) -> float:
    """Return `value`, a finite number of at least 0.

    Raises:
        FigureError: It is not; the message begins with `name`.
    """
    if not (math.isfinite(value) and value >= 0):
        raise FigureError(f"{name} must be 0 or more, not {value:g}")
    return value


def fraction(name: str, value: float) -> float:
    """Return `value`, a number strictly between 0 and 1.

    Raises:
        FigureError: It is not; the message begins with `name`.
    """
    if not 0 < value < 1:
        raise FigureError(f"{name} must lie between 0 and 1, not {value:g}")
    return value


def finite(name: str, value: float) -> float:
    """Return `value`, a finite number.

    Raises:
        FigureError: It is not; the message begins with `name`.
    """
    if not math.isfinite(value):
        raise FigureError(f"{name} must be a finite number, not {value:g}")
    return value
