"""How widely each athlete's sets scatter, next to the cohort's noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from forecast.growth.dynamics import Dynamics
from forecast.growth.filtering import forward_pass
from forecast.growth.observation import Noise
from forecast.growth.panel import Panel

Array = NDArray[np.float64]

GRID = np.exp(np.linspace(-1.0, 1.0, 5))
SPREAD = 0.45
"""Multiples of the cohort's noise tried, and how far athletes differ before any set is seen: the
standard deviation of the log (judgement). A dozen sessions of an athlete's own overrule it."""


def athlete_scatter(
    panel: Panel, dynamics: Dynamics, noise: Noise, prior_mean: Array, prior_cov: Array
) -> Array:
    """Return each spell's scatter (S,): the athlete's posterior mean, on the log scale.

    Each multiple of ``GRID`` is tried on all spells; an athlete's spells share one.

    Parameters
    ----------
    panel
        Records; its own ``scatter`` is not used.
    dynamics, noise, prior_mean, prior_cov
        As for ``forward_pass``.
    """
    _, who = np.unique(panel.athlete, return_inverse=True)
    evidence = np.empty((len(GRID), int(who.max()) + 1))
    for row, multiple in zip(evidence, GRID, strict=True):
        tried = replace(panel, scatter=np.full(panel.n_spells, multiple))
        filtered = forward_pass(tried, dynamics, noise, prior_mean, prior_cov)
        row[:] = np.bincount(who[panel.spell], filtered.log_evidence, len(row))
    log_weight = evidence - 0.5 * (np.log(GRID) / SPREAD)[:, None] ** 2
    weight = np.exp(log_weight - log_weight.max(axis=0))
    mean = (weight * np.log(GRID)[:, None]).sum(axis=0) / weight.sum(axis=0)
    return np.asarray(np.exp(mean)[who])
