"""Each spell reduced to what it says about its own start, swing and pace.

Given the sessions as normal observations and the constants of the motion, the likelihood of a
spell is exactly normal in theta = (start level, start swing, pace):

    log p(y | theta) = constant + score' theta - theta' information theta / 2.

The augmented Kalman filter gives the three terms in one pass (de Jong 1991, Ann. Stat. 19:1073).
Everything the spells share (athletes, rungs) can then be pooled without touching sessions again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.growth.dynamics import Dynamics, decay_terms, transition_covariance
from forecast.growth.panel import Panel

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SpellInformation:
    """``constant`` (S,), ``score`` (S, 3) and ``information`` (S, 3, 3) of every spell."""

    constant: Array
    score: Array
    information: Array


def spell_information(
    panel: Panel, dynamics: Dynamics, site_mean: Array, site_var: Array
) -> SpellInformation:
    """Return what each spell's sessions say about its (start level, start swing, pace).

    Parameters
    ----------
    panel
        The records (only their timing is used here).
    dynamics
        Constants of the motion.
    site_mean, site_var
        (N,) sessions as normal observations of the level; infinite variance says nothing.
    """
    spells = panel.n_spells
    result = SpellInformation(np.zeros(spells), np.zeros((spells, 3)), np.zeros((spells, 3, 3)))
    # Columns: the data, then the level's response to a unit of each of the three unknowns.
    level = np.tile([0.0, 1.0, 0.0, 0.0], (spells, 1))
    swing = np.tile([0.0, 0.0, 1.0, 0.0], (spells, 1))
    p_level, p_cross, p_swing = (np.zeros(spells) for _ in range(3))
    decay, integral = decay_terms(dynamics.alpha, panel.tau)
    q_level, q_cross, q_swing = transition_covariance(dynamics, panel.tau)
    q_level = q_level + dynamics.wiggle_sd**2 * panel.excess
    loss = dynamics.detraining * panel.excess
    for step in range(int(panel.length.max(initial=0))):
        n = int(np.searchsorted(-panel.length, -step, side="left"))
        at = panel.start[:n] + step
        level, swing = level[:n], swing[:n]
        if step > 0:
            c, a = integral[at], decay[at]
            p_level, p_cross, p_swing = p_level[:n], p_cross[:n], p_swing[:n]
            p_level = p_level + 2.0 * c * p_cross + c * c * p_swing + q_level[at]
            p_cross = a * (p_cross + c * p_swing) + q_cross[at]
            p_swing = a * a * p_swing + q_swing[at]
            level = level + c[:, None] * swing
            level[:, 3] += panel.tau[at]
            level[:, 0] -= loss[at]
            swing = a[:, None] * swing
        precision = 1.0 / (p_level + site_var[at])
        error = -level
        error[:, 0] += site_mean[at]
        _accumulate(result, n, error, precision, np.isfinite(site_var[at]))
        level = level + (p_level * precision)[:, None] * error
        swing = swing + (p_cross * precision)[:, None] * error
        p_swing = p_swing - p_cross * p_cross * precision
        p_cross = p_cross * (1.0 - p_level * precision)
        p_level = p_level * (1.0 - p_level * precision)
    return result


def _accumulate(
    result: SpellInformation, n: int, error: Array, precision: Array, heard: NDArray[np.bool_]
) -> None:
    """Add one session's share; the design is minus the error columns 1 to 3."""
    design, data = -error[:, 1:], error[:, 0]
    weighted = design * precision[:, None]
    result.score[:n] += weighted * data[:, None]
    result.information[:n] += weighted[:, :, None] * design[:, None, :]
    log_density = 0.5 * (
        np.log(np.where(heard, precision, 1.0)) - np.log(2.0 * np.pi) - precision * data**2
    )
    result.constant[:n] += np.where(heard, log_density, 0.0)
