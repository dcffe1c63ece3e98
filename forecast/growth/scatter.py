"""How widely each athlete's sets scatter, next to the cohort's noise."""

from __future__ import annotations

import numpy as np

from forecast.growth.filtering import forward_pass
from forecast.growth.kernels import Stretches
from forecast.growth.observation import Noise
from forecast.growth.panel import Panel
from forecast.types import Array

GRID = np.exp(np.linspace(-1.0, 1.0, 5))
SPREAD = 0.45
"""Multiples of the cohort's noise tried, and how far athletes differ before any set is seen: the
standard deviation of the log (judgement). A dozen sessions of an athlete's own overrule it."""
MOST_TOLD = 1.5
"""Log evidence that one session may bring for a multiple, and half of what it may bring against
one: scatter shows in many sessions, one day out of all proportion is no scatter (judgement)."""


def athlete_scatter(
    panel: Panel, between: Stretches, noise: Noise, prior_mean: Array, prior_cov: Array
) -> Array:
    """Return each spell's scatter (S,): the athlete's posterior mean, on the log scale.

    Each multiple of ``GRID`` is tried on all spells; an athlete's spells share one. A spell's last
    session is left out: today's good session is to raise the level, not the doubt about it.
    Arguments as for ``forward_pass``.
    """
    _, who = np.unique(panel.athlete, return_inverse=True)
    told = np.empty((len(GRID), panel.n_sessions))
    for row, multiple in zip(told, GRID, strict=True):
        row[:] = forward_pass(
            panel, between, noise, prior_mean, prior_cov, float(multiple)
        ).log_evidence
    told = np.clip(told - told[len(GRID) // 2], -2.0 * MOST_TOLD, MOST_TOLD)
    told[:, panel.last] = 0.0
    evidence = np.stack([np.bincount(who[panel.spell], row) for row in told])
    log_weight = evidence - 0.5 * (np.log(GRID) / SPREAD)[:, None] ** 2
    weight = np.exp(log_weight - log_weight.max(axis=0))
    mean = (weight * np.log(GRID)[:, None]).sum(axis=0) / weight.sum(axis=0)
    return np.asarray(np.exp(mean)[who])
