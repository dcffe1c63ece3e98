"""How clean sets are at each level, and how far spells differ in it."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import expit, gammaln

from forecast.growth import Tracked
from forecast.growth.habits import CohortHabits, clip_level, cohort_habits
from forecast.histories import Histories
from forecast.types import Array, Ints


def learn_clean(tracked: Tracked, histories: Histories) -> tuple[CohortHabits, float]:
    """Return the share of clean sets by level, and how far spells differ on the logit scale."""
    panel = tracked.panel
    level = tracked.filtered.mean[:, 0]
    clean = histories.sessions["n_clean"].to_numpy(dtype=float)[panel.session_row]
    sets = panel.n_sets.astype(float)
    cohort = cohort_habits(clean, sets, level)
    base = cohort.intercept + cohort.slope * clip_level(level)
    _, who = np.unique(panel.spell, return_inverse=True)
    return cohort, spread_of_logits(clean, sets, base, who)


def spread_of_logits(hits: Array, trials: Array, base: Array, group: Ints) -> float:
    """Return how far groups differ on the logit scale: marginal likelihood, one number.

    Parameters
    ----------
    hits, trials
        (N,) counts.
    base
        (N,) logit expected of each count without the group's own shift.
    group
        (N,) group number, 0 to the number of groups less one.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    log_weights = np.log(weights / weights.sum())
    n = int(group.max()) + 1

    def loss(log_spread: float) -> float:
        shift = np.exp(log_spread) * nodes
        logit = base[:, None] + shift
        log_p = hits[:, None] * logit - trials[:, None] * np.logaddexp(0.0, logit)
        by_group = np.zeros((n, len(nodes)))
        np.add.at(by_group, group, log_p)
        evidence = np.logaddexp.reduce(by_group + log_weights, axis=1).sum()
        # A weak prior around 0.7 keeps a handful of groups from an answer of nothing.
        return float(-evidence + 0.5 * ((log_spread - np.log(0.7)) / 0.7) ** 2)

    return float(np.exp(minimize_scalar(loss, bounds=(-4.0, 1.5), method="bounded").x))


def upper_tail(hits: int, trials: int, logit: Array, weight: Array) -> float:
    """Chance of ``hits`` or more in ``trials``, the logit drawn from ``logit`` by ``weight``."""
    k = np.arange(hits, trials + 1)
    log_choose = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    p = np.clip(expit(logit), 1e-12, 1 - 1e-12)[:, None]
    mass = np.exp(log_choose + k * np.log(p) + (trials - k) * np.log1p(-p)).sum(axis=1)
    return float((weight * mass).sum())
