"""How an athlete trains lately: sets a session, and the share of them that can count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from forecast.growth.kernels import HIGHEST_CLEAN, LOWEST_CLEAN
from forecast.growth.panel import Panel
from forecast.types import Array, Flags, Ints

TABLE_SIZE = 32
MEMORY_SESSIONS = 12
MAX_SETS = 8
PRIOR_SETS = np.array([3.0])
INTERCEPT_SD = 1.0
"""How far athletes' habits of clean, unassisted sets differ, on the logit scale (judgement)."""


@dataclass(frozen=True, slots=True)
class CohortHabits:
    """Chance that a set can count: expit(intercept + slope * level); ``sets`` a session (table)."""

    intercept: float
    slope: float
    sets: Array


@dataclass(frozen=True, slots=True)
class Habits:
    """(T,) ``intercept``, common ``slope`` and (T, TABLE_SIZE) ``sets`` of each target.

    ``spread`` (T,) is the standard deviation of what is known of the intercept.
    """

    intercept: Array
    slope: float
    sets: Array
    spread: Array | float = 0.0


def clip_level(level: Array) -> Array:
    """Return the level as far as it tells of habits."""
    return np.clip(level, LOWEST_CLEAN, HIGHEST_CLEAN)


def cohort_habits(eligible: Array, n_sets: Array, level: Array) -> CohortHabits:
    """Learn the cohort's habits.

    From sets that could have counted and all sets, by session (N,), and the level filtered after
    each.
    """
    sets = _quantile_table(n_sets if len(n_sets) else PRIOR_SETS)
    misses = n_sets - eligible
    x = np.concatenate([clip_level(level), clip_level(level), [-0.5, -0.5]])[:, None]
    y = np.concatenate([np.ones(len(level)), np.zeros(len(level)), [1.0, 0.0]])
    # Two pseudo-sets, 3 to 1 for counting, keep a log without any unclean set finite.
    weight = np.concatenate([eligible, misses, [1.5, 0.5]])
    keep = weight > 0
    model = LogisticRegression(C=1.0).fit(x[keep], y[keep], sample_weight=weight[keep])
    return CohortHabits(float(model.intercept_[0]), float(model.coef_[0, 0]), sets)


def athlete_habits(
    panel: Panel, eligible: Array, level: Array, last: Ints, cohort: CohortHabits
) -> Habits:
    """Habits as of given sessions, from the same spell's latest sessions, shrunk to the cohort.

    ``eligible`` and ``level`` are (N,) as for ``cohort_habits``; ``last`` (T,) is the session up to
    which each target is known.
    """
    back = np.arange(MEMORY_SESSIONS)
    at = last[:, None] - back
    inside = at >= panel.start[panel.spell[last]][:, None]
    at = np.where(inside, at, last[:, None])
    total = panel.n_sets[at] * inside
    good = eligible[at] * inside
    base = cohort.intercept + cohort.slope * clip_level(level[at])
    shift = np.zeros(len(last))
    for _ in range(6):  # Newton steps to the mode of a concave posterior
        p = expit(base + shift[:, None])
        slope = (good - total * p).sum(axis=1) - shift / INTERCEPT_SD**2
        curve = (total * p * (1.0 - p)).sum(axis=1) + 1.0 / INTERCEPT_SD**2
        shift += np.clip(slope / curve, -2.0, 2.0)
    sets = _own_sets(panel, at, inside, cohort)
    return Habits(cohort.intercept + shift, cohort.slope, sets, 1.0 / np.sqrt(curve))


def untried_habits(count: int, cohort: CohortHabits) -> Habits:
    """Habits of targets without a single session: the cohort's."""
    return Habits(np.full(count, cohort.intercept), cohort.slope, np.tile(cohort.sets, (count, 1)))


def _own_sets(panel: Panel, at: Ints, inside: Flags, cohort: CohortHabits) -> Array:
    """Sets a session: the latest own counts, then the cohort's for n / (n + 3)."""
    counts = np.minimum(panel.n_sets[at], MAX_SETS).astype(float)
    n = inside.sum(axis=1)
    mine = np.round(TABLE_SIZE * n / (n + 3.0)).astype(np.int64)
    column = np.arange(TABLE_SIZE)
    own = np.take_along_axis(counts, column[None, :] % n[:, None], axis=1)
    return np.where(column < mine[:, None], own, cohort.sets)


def _quantile_table(n_sets: Array) -> Array:
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    return np.round(np.quantile(np.minimum(n_sets, MAX_SETS), levels))
