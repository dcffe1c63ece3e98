"""Tails of the normal distribution, compiled: Mills' ratio from a table, chances far out."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from scipy.special import erfcx

from forecast.types import Array

_ROOT_2 = math.sqrt(2.0)


ROOT_2PI = math.sqrt(2.0 * math.pi)
NODES, _weights = np.polynomial.hermite_e.hermegauss(11)
WEIGHTS = _weights / ROOT_2PI
"""Gauss-Hermite quadrature of a standard normal."""


TABLE_END, TABLE_STEPS = 40.0, 32
"""The table of Mills' ratio goes from 0 to here, in so many cells a unit: where it ends, a normal's
tail is nothing."""


def _ratio_table() -> Array:
    """Coefficients (cells, 6) of quintic pieces through Mills' ratio and its two derivatives.

    Between knots 1/32 apart they are off by less than 1e-12 of the value.
    """
    knots = np.arange(int(TABLE_END) * TABLE_STEPS + 1) / TABLE_STEPS
    ratio = erfcx(knots / _ROOT_2) * ROOT_2PI / 2.0
    slope = knots * ratio - 1.0
    bend = ratio + knots * slope
    slope, bend = slope / TABLE_STEPS, bend / (2.0 * TABLE_STEPS**2)
    rise = np.diff(ratio)
    s0, s1, b0, b1 = slope[:-1], slope[1:], bend[:-1], bend[1:]
    return np.ascontiguousarray(
        np.stack(
            [
                ratio[:-1],
                s0,
                b0,
                10.0 * rise - 6.0 * s0 - 4.0 * s1 - 3.0 * b0 + b1,
                -15.0 * rise + 8.0 * s0 + 7.0 * s1 + 3.0 * b0 - 2.0 * b1,
                6.0 * rise - 3.0 * (s0 + s1) - b0 + b1,
            ],
            axis=1,
        )
    )


_RATIO = _ratio_table()


@njit(cache=True, error_model="numpy")
def _far_past(w: float) -> float:
    """Return how far the mean of a normal above ``w`` lies past it: Laplace's continued fraction.

    So few terms do where the table has ended.
    """
    return 1.0 / (w + 2.0 / (w + 3.0 / w))


@njit(cache=True, error_model="numpy")
def _upper_ratio(w: float) -> float:
    """Return Mills' ratio for ``w`` of 0 or more: from a table, which costs a tenth of ``erfc``."""
    if w < TABLE_END:
        place = w * TABLE_STEPS
        cell = int(place)
        t, c = place - cell, _RATIO[cell]
        return c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))))
    return 1.0 / (w + _far_past(w))


@njit(cache=True, error_model="numpy")
def mills(w: float) -> float:
    """Return P(Z > w) / density(w) of a standard normal; needs ``w`` above about -37."""
    ratio = _upper_ratio(abs(w))
    return ratio if w >= 0.0 else ROOT_2PI * math.exp(0.5 * w * w) - ratio


@njit(cache=True, error_model="numpy")
def mills_and_more(w: float) -> tuple[float, float]:
    """Return Mills' ratio, and how far the mean of a standard normal above ``w`` lies past it."""
    if w >= TABLE_END:  # 1 / ratio - w would lose all digits
        past = _far_past(w)
        return 1.0 / (w + past), past
    ratio = mills(w)
    return ratio, 1.0 / ratio - w


@njit(cache=True, error_model="numpy")
def above_and_bell(z: float) -> tuple[float, float]:
    """Return P(Z > z) of a standard normal, and exp(-z**2 / 2)."""
    bell = math.exp(-0.5 * z * z)
    tail = _upper_ratio(abs(z)) * bell / ROOT_2PI
    return (1.0 - tail if z < 0.0 else tail), bell


@njit(cache=True, error_model="numpy")
def above(z: float) -> float:
    """Return P(Z > z) of a standard normal."""
    return above_and_bell(z)[0]


@njit(cache=True, error_model="numpy")
def between(low: float, high: float) -> float:
    """Return P(low < Z <= high), accurate in both tails."""
    if low > 0.0:
        return above(low) - above(high)
    return above(-high) - above(-low)
