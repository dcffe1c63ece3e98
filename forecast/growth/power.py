"""Which power of value over target grows most plainly: chosen by evidence, log unless beaten.

On a log scale the same percentage counts the same everywhere; a cohort whose values curve upward
or flatten on that scale may be plainer on another (Box & Cox 1964). Recorded intervals have the
same probability on every scale, so the scales' evidences compare without a Jacobian.
"""

from __future__ import annotations

import numpy as np

from forecast.growth.clock import wind
from forecast.growth.filtering import forward_pass
from forecast.growth.fitting import fit_growth, population_prior
from forecast.growth.panel import Panel, build_panel, take_spells
from forecast.histories import Histories

STEP = 0.5
FARTHEST = 2.0
"""Powers are tried in steps of a half away from 0, as long as each beats the one before."""
TRIAL_SPELLS = 30
"""Spells used to compare powers: the longest ones say most about curvature."""
MARGIN = 5.0
MARGIN_PER_SET = 0.03
"""Log evidence by which another power must beat the log scale: outright, and for each set, so that
a scale which only flatters the noise of many sets does not pass for another law of growth."""
MIN_SESSIONS = 30


def choose_power(histories: Histories, n_rungs: int, *, seed: int) -> float:
    """Return the power of the latent scale that explains the longest spells best.

    Parameters
    ----------
    histories
        All spells before the cut.
    n_rungs
        Number of rungs of the ladder.
    seed
        As for ``fit_growth``.
    """
    plain = _trial(build_panel(histories, power=0.0))
    if plain.n_sessions < MIN_SESSIONS:
        return 0.0
    base = _evidence(plain, n_rungs, seed)
    margin = max(MARGIN, MARGIN_PER_SET * float(plain.n_sets.sum()))
    best, best_evidence = 0.0, base + margin
    for direction in (1.0, -1.0):
        before = base
        for power in direction * np.arange(STEP, FARTHEST + STEP, STEP):
            evidence = _evidence(_trial(build_panel(histories, power=power)), n_rungs, seed)
            if evidence > best_evidence:
                best, best_evidence = float(power), evidence
            if evidence < before:
                break
            before = evidence
    return best


def _trial(panel: Panel) -> Panel:
    return take_spells(panel, np.arange(min(TRIAL_SPELLS, panel.n_spells)))


def _evidence(panel: Panel, n_rungs: int, seed: int) -> float:
    """Log probability of all recorded intervals after a short fit."""
    fit = fit_growth(panel, n_rungs, seed=seed, rounds=1)
    mean, cov = population_prior(fit.constants, fit.pooled, panel, n_rungs)
    wound = wind(panel, fit.constants.clock)
    filtered = forward_pass(wound, fit.constants.dynamics, fit.constants.noise, mean, cov)
    return float(filtered.log_evidence.sum())
