"""The law of a coming session: its day's form, and the chance that it meets the criterion.

It stands here once (its inner loop in ``kernels``), for rungs under way, rungs to come and the
check of what was expected of past sessions.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from forecast.growth.filtering import Filtered
from forecast.growth.kernels import expected_meets
from forecast.growth.observation import Noise
from forecast.growth.panel import Panel
from forecast.types import Array, Flags, Ints

LATEST = 30
"""How many of a spell's latest sessions are held against what was expected of them."""
SHIFT_SD = 1.0
"""How far the log odds of meeting may be off before any session tells (judgement)."""


def draw_form(
    rng: np.random.Generator, size: tuple[int, ...], down: Array | float, up: Array | float
) -> Array:
    """Draw days' forms in units of ``day_sd``, mean 0.

    ``down`` and ``up`` are mean sizes of the exponential parts, broadcast against ``size``.
    """
    normal, below, above = rng.spawn(3)  # of their own: a longer draw begins as a shorter one does
    rise = up * (above.standard_exponential(size) - 1.0)
    fall = down * (below.standard_exponential(size) - 1.0)
    return np.asarray(normal.standard_normal(size) + rise - fall)


def expected_to_meet(panel: Panel, noise: Noise, filtered: Filtered) -> Array:
    """Return the chance that each past session met its criterion, as seen before it, (N,)."""
    mean, var = filtered.before_mean, filtered.before_var
    scatter, measure = filtered.scatter[panel.spell], panel.measure[panel.spell]
    out = np.empty(panel.n_sessions)
    sd = np.sqrt(var + (noise.day_sd[measure] * scatter * noise.day_spread) ** 2)
    expected_meets(
        np.ascontiguousarray(mean), sd, panel.threshold[panel.spell],
        noise.set_sd[measure] * scatter, noise.fatigue, noise.slip, panel.eligible, out,
    )  # fmt: skip
    return out


def latest_sessions(panel: Panel, last: Ints) -> tuple[Ints, Flags]:
    """Return the places of each target's latest sessions, (T, LATEST), and which of them exist."""
    at = last[:, None] - np.arange(LATEST)
    inside = at >= panel.start[panel.spell[last]][:, None]
    return np.where(inside, at, last[:, None]), inside


def odds_shift(met: Array, expected: Array) -> Array:
    """Return how far the log odds of meeting are off, from what met and what was expected.

    The mode of a logistic regression with the expected log odds as offset, one intercept a target
    and a normal prior around 0: a forecast that expected 9 of 27 sessions to meet where none did
    is put right by as much as 27 sessions can say. Both are (T, L), NaN where there is no session.
    """
    there = np.isfinite(expected)
    chance = np.clip(np.where(there, expected, 0.5), 1e-6, 1.0 - 1e-6)
    base, hits = np.log(chance / (1.0 - chance)), np.where(there, met, 0.0)
    shift = np.zeros(len(met))
    for _ in range(12):  # Newton steps to the mode of a concave posterior
        p = np.where(there, expit(base + shift[:, None]), 0.0)
        slope = (hits - p).sum(axis=1) - shift / SHIFT_SD**2
        shift += slope / ((p * (1.0 - p)).sum(axis=1) + 1.0 / SHIFT_SD**2)
    return shift
