"""Chance of the sets of one day under a world's own law, for many invented people at once.

One function a world that has a reference. The day's form is integrated out on a grid; a written
value says between which bounds the set lay. Written from the laws, and from nothing else.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import logsumexp, ndtr
from scipy.stats import t as student

from alien.law import Array, Law, People

Likelihood = Callable[[Law, People, People, int, int, Array, Array], Array]
"""law, who, state, rung, day, values (K,), order (K,) -> log likelihood, one entry a person."""

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
NORMAL_GRID = _NODES
NORMAL_LOG_WEIGHT = np.log(_WEIGHTS / _WEIGHTS.sum())

HEAVY_GRID = np.sinh(np.linspace(-3.6, 3.6, 61))
_mass = np.diff(student.cdf(np.r_[-np.inf, (HEAVY_GRID[1:] + HEAVY_GRID[:-1]) / 2, np.inf], 3))
HEAVY_LOG_WEIGHT = np.log(_mass)


def _day_summed(
    low: Array, high: Array, middle: Array, order_shift: Array, set_sd: float, form: Array,
    log_weight: Array,
) -> Array:  # fmt: skip
    """Log chance that set k is in (low, high], form drawn from a grid; bounds (K,) or (n, K)."""
    centre = middle[:, None, None] + order_shift[None, None, :] + form[None, :, None]
    low, high = np.atleast_2d(low)[:, None, :], np.atleast_2d(high)[:, None, :]
    chance = ndtr((high - centre) / set_sd) - ndtr((low - centre) / set_sd)
    by_form = np.log(np.maximum(chance, 1e-300)).sum(axis=2)
    return logsumexp(by_form + log_weight, axis=1)


def _log(values: Array) -> Array:
    with np.errstate(divide="ignore"):
        return np.log(np.maximum(values, 0.0))


def additive_seconds(law, who, state, rung, day, values, order):
    """Seconds to the nearest second; nothing below 0."""
    low = np.where(values > 0, values - 0.5, -np.inf)
    return _day_summed(
        low, values + 0.5, state["seconds"], -law.tired * order, law.set_sd,
        law.day_sd * NORMAL_GRID, NORMAL_LOG_WEIGHT,
    )  # fmt: skip


def heavy_days(law, who, state, rung, day, values, order):
    """To the nearest 5 s, a second at least counting as 5; the day is t with 3 df."""
    low = np.select([values == 0, values == 5], [0.0, 1.0], values - 2.5)
    high = np.where(values == 0, 1.0, values + 2.5)
    middle = np.log(law.target[rung]) + state["log"]
    return _day_summed(
        _log(low), _log(high), middle, -law.tired * order, law.set_sd,
        law.day_scale * HEAVY_GRID, HEAVY_LOG_WEIGHT,
    )  # fmt: skip


def coarse_holds(law, who, state, rung, day, values, order):
    """Down to 5 s."""
    middle = _log(law.target[rung] * state["root"] ** 2)
    return _day_summed(
        _log(values), _log(values + law.unit), middle, -0.05 * order, law.set_sd,
        law.day_sd * NORMAL_GRID, NORMAL_LOG_WEIGHT,
    )  # fmt: skip


def staircase(law, who, state, rung, day, values, order):
    """Down to whole units."""
    middle = np.log(law.target[rung]) + state["log"]
    return _day_summed(
        _log(values), _log(values + 1.0), middle, -law.tired * order, law.set_sd,
        law.day_sd * NORMAL_GRID, NORMAL_LOG_WEIGHT,
    )  # fmt: skip


def spurts(law, who, state, rung, day, values, order):
    """Down to whole units."""
    middle = np.log(law.target[rung]) + state["log"]
    return _day_summed(
        _log(values), _log(values + 1.0), middle, -0.04 * order, 0.1,
        0.1 * NORMAL_GRID, NORMAL_LOG_WEIGHT,
    )  # fmt: skip


def stricter_coach(law, who, state, rung, day, values, order):
    """To the nearest unit, of less once the eye is stricter."""
    share = law.early if day >= law.strict_from else 1.0
    middle = np.log(law.target[rung] * share) + state["log"]
    return _day_summed(
        _log(values - 0.5), _log(values + 0.5), middle, -0.05 * order, 0.13,
        0.08 * NORMAL_GRID, NORMAL_LOG_WEIGHT,
    )  # fmt: skip


def changing_law(law, who, state, rung, day, values, order):
    """To the nearest second of usual x form x (exp(0.12 z) - 0.05 order), never below 0."""
    usual = law.target[rung] * state["share"]
    form = np.exp(0.1 * NORMAL_GRID)
    shown = usual[:, None, None] * form[None, :, None]
    tired = 0.05 * order
    high = _log((values + 0.5) / shown + tired) / 0.12
    low = np.where(values > 0, _log((values - 0.5) / shown + tired) / 0.12, -np.inf)
    by_form = np.log(np.maximum(ndtr(high) - ndtr(low), 1e-300)).sum(axis=2)
    return logsumexp(by_form + NORMAL_LOG_WEIGHT, axis=1)


LIKELIHOODS: dict[str, Likelihood] = {
    f.__name__: f
    for f in (
        additive_seconds, heavy_days, coarse_holds, staircase, spurts, stricter_coach,
        changing_law,
    )
}  # fmt: skip
"""Worlds with a reference: all sets are logged there, and attendance follows the plain rule."""
