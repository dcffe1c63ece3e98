"""Numbers given by hand: in range, or one sentence that names them."""

from __future__ import annotations

from numbers import Integral, Real
from typing import TypeGuard

from forecast.errors import FitError, ForecastError


def is_number(value: object) -> TypeGuard[float]:
    """Whether it is an ordinary number: text, yes and no, and complex numbers are none."""
    return isinstance(value, Real) and not isinstance(value, bool)


def is_whole(value: object) -> TypeGuard[int]:
    """Whether it is a whole number; yes and no are none."""
    return isinstance(value, Integral) and not isinstance(value, bool)


def check_within(name: str, value: object, low: float, high: float, what: str) -> float:
    """Return a number from ``low`` to ``high``, or raise; ``what`` says in words what to give."""
    if is_number(value) and low <= value <= high:
        return float(value)
    raise ForecastError(f"{name} = {value!r}; give {what}.")


def check_level(name: str, value: object) -> float:
    """Return the level of an interval or a test, strictly between 0 and 1, or ``FitError``."""
    if is_number(value) and 0 < value < 1:
        return float(value)
    raise FitError(f"{name} = {value!r}; give a share strictly between 0 and 1.")


def check_seed(value: object) -> int:
    """Return a seed: a whole number of 0 or more, or ``FitError``."""
    if is_whole(value) and value >= 0:
        return int(value)
    raise FitError(f"seed = {value!r}; give a whole number, 0 or more.")
