"""Control charts of the textbooks: CUSUM and EWMA, and their average run lengths.

They watch independent standardised values; the comparison bench runs them beside the package's own
rule, and published run lengths check them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from forecast.errors import ForecastError

Array = NDArray[np.float64]

NODES = 100


def cusum(values: ArrayLike, allowance: float) -> Array:
    """Return the upper one-sided CUSUM ``S_t = max(0, S_{t-1} + x_t - k)`` along the last axis.

    Page (1954), Biometrika 41:100.

    Parameters
    ----------
    values
        Standardised values; missing ones leave the sum as it is.
    allowance
        k, in standard deviations; 0 or more.
    """
    x = np.asarray(values, dtype=float)
    out = np.empty_like(x)
    total = np.zeros(x.shape[:-1])
    for t in range(x.shape[-1]):
        step = np.where(np.isnan(x[..., t]), 0.0, x[..., t] - allowance)
        total = np.maximum(0.0, total + step)
        out[..., t] = total
    return out


def ewma(values: ArrayLike, weight: float) -> Array:
    """Return the EWMA ``z_t = w x_t + (1 - w) z_{t-1}``, from 0, along the last axis.

    Roberts (1959), Technometrics 1:239.
    """
    x = np.asarray(values, dtype=float)
    out = np.empty_like(x)
    now = np.zeros(x.shape[:-1])
    for t in range(x.shape[-1]):
        now = np.where(np.isnan(x[..., t]), now, weight * x[..., t] + (1.0 - weight) * now)
        out[..., t] = now
    return out


def cusum_run_length(
    shift: float, allowance: float = 0.5, limit: float = 5.0, *, two_sided: bool = True
) -> float:
    """Return the average number of values up to the alarm of a CUSUM started at 0.

    Page's integral equation ``L(z) = 1 + L(0) Phi(k - z - d) + int_0^h L(x) phi(x - z + k - d) dx``
    on Gauss-Legendre nodes; two-sided by ``1/L = 1/L(d) + 1/L(-d)`` (Kemp 1961, J. R. Stat. Soc.
    B 23:149).

    Parameters
    ----------
    shift
        d, true mean in standard deviations.
    allowance, limit
        k and h in standard deviations.
    two_sided
        Both directions watched at once.

    Raises
    ------
    ForecastError
        The limit is not above 0, or the allowance is negative.
    """
    if limit <= 0 or allowance < 0:
        raise ForecastError(f"limit = {limit}, allowance = {allowance}; give > 0 and 0 or more.")
    upper = _one_sided_cusum(shift, allowance, limit)
    if not two_sided:
        return upper
    return 1.0 / (1.0 / upper + 1.0 / _one_sided_cusum(-shift, allowance, limit))


def _one_sided_cusum(shift: float, allowance: float, limit: float) -> float:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    x, w = 0.5 * limit * (nodes + 1.0), 0.5 * limit * weights
    at = np.concatenate([[0.0], x])
    kernel = np.zeros((NODES + 1, NODES + 1))
    kernel[:, 0] = ndtr(allowance - at - shift)
    kernel[:, 1:] = w * _density(x[None, :] - at[:, None] + allowance - shift)
    return float(np.linalg.solve(np.eye(NODES + 1) - kernel, np.ones(NODES + 1))[0])


def ewma_run_length(shift: float, weight: float, width: float) -> float:
    """Return the average run length of a two-sided EWMA with its asymptotic limits.

    Limits are ``+- width sqrt(w / (2 - w))`` (Lucas & Saccucci 1990, Technometrics 32:1; integral
    equation of Crowder 1987, Technometrics 29:401). Weight 1 is a Shewhart chart.

    Raises
    ------
    ForecastError
        The weight is not in (0, 1], or the width is not above 0.
    """
    if not 0 < weight <= 1 or width <= 0:
        raise ForecastError(f"weight = {weight}, width = {width}; give one in (0, 1], one above 0.")
    bound = width * np.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    at = np.concatenate([[0.0], bound * nodes])
    step = (bound * nodes[None, :] - (1.0 - weight) * at[:, None]) / weight - shift
    kernel = np.zeros((NODES + 1, NODES + 1))
    kernel[:, 1:] = bound * weights * _density(step) / weight
    return float(np.linalg.solve(np.eye(NODES + 1) - kernel, np.ones(NODES + 1))[0])


def siegmund_run_length(shift: float, allowance: float, limit: float) -> float:
    """Return Siegmund's approximation for a one-sided CUSUM.

    ``(exp(-2 D b) + 2 D b - 1) / (2 D^2)`` with ``D = d - k``, ``b = h + 1.166`` (Siegmund 1985,
    Sequential Analysis, sec. 2.6); ``b^2`` where D is 0.
    """
    drift, b = shift - allowance, limit + 1.166
    if drift == 0:
        return b * b
    return float((np.exp(-2.0 * drift * b) + 2.0 * drift * b - 1.0) / (2.0 * drift**2))


def _density(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi))
