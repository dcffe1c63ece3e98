"""Each spell reduced to what it says about its own start, swing and pace.

Given the sessions as normal observations and the constants of the motion, the likelihood of a
spell is exactly normal in theta = (start level, start swing, pace):

    log p(y | theta) = constant + score' theta - theta' information theta / 2.

The augmented Kalman filter gives the three terms in one pass (de Jong 1991, Ann. Stat. 19:1073).
Everything the spells share (athletes, rungs) can then be pooled without touching sessions again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.growth.dynamics import Dynamics, decay_terms, transition_covariance
from forecast.growth.filtering import session_losses
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
    tau = panel.tau[None, :]
    return spell_information_stack(panel, [dynamics], tau, site_mean, site_var[None, :])[0]


def spell_information_stack(
    panel: Panel, dynamics: Sequence[Dynamics], tau: Array, site_mean: Array, site_var: Array
) -> list[SpellInformation]:
    """Return the information under M sets of constants at once: one pass costs little more.

    Parameters
    ----------
    panel, site_mean
        As for ``spell_information``.
    dynamics
        M sets of constants.
    tau, site_var
        (M, N) training between sessions and variances of the sessions under each.
    """
    spells, stack = panel.n_spells, len(dynamics)
    constant = np.zeros((stack, spells))
    score = np.zeros((stack, spells, 3))
    information = np.zeros((stack, spells, 3, 3))
    # Columns: the data, then the level's response to a unit of each of the three unknowns.
    level = np.tile([0.0, 1.0, 0.0, 0.0], (stack, spells, 1))
    swing = np.tile([0.0, 0.0, 1.0, 0.0], (stack, spells, 1))
    p_level, p_cross, p_swing = (np.zeros((stack, spells)) for _ in range(3))
    decay, integral, q_level, q_cross, q_swing, loss = _motion(panel, dynamics, tau)
    heard = np.isfinite(site_var)
    for step in range(int(panel.length.max(initial=0))):
        n = int(np.searchsorted(-panel.length, -step, side="left"))
        at = panel.start[:n] + step
        level, swing = level[:, :n], swing[:, :n]
        if step > 0:
            c, a = integral[:, at], decay[:, at]
            p_level, p_cross, p_swing = p_level[:, :n], p_cross[:, :n], p_swing[:, :n]
            p_level = p_level + c * (2.0 * p_cross + c * p_swing) + q_level[:, at]
            p_cross = a * (p_cross + c * p_swing) + q_cross[:, at]
            p_swing = a * a * p_swing + q_swing[:, at]
            level = level + c[:, :, None] * swing
            level[:, :, 3] += tau[:, at]
            level[:, :, 0] -= loss[:, at]
            swing = a[:, :, None] * swing
        precision = 1.0 / (p_level + site_var[:, at])
        error = -level
        error[:, :, 0] += site_mean[at]
        design, data = level[:, :, 1:], error[:, :, 0]
        weighted = design * precision[:, :, None]
        score[:, :n] += weighted * data[:, :, None]
        information[:, :n] += weighted[:, :, :, None] * design[:, :, None, :]
        constant[:, :n] += _log_density(precision, data, heard[:, at])
        level = level + (p_level * precision)[:, :, None] * error
        swing = swing + (p_cross * precision)[:, :, None] * error
        p_swing = p_swing - p_cross * p_cross * precision
        left = 1.0 - p_level * precision
        p_cross, p_level = p_cross * left, p_level * left
    return [SpellInformation(*parts) for parts in zip(constant, score, information, strict=True)]


def _motion(panel: Panel, dynamics: Sequence[Dynamics], tau: Array) -> tuple[Array, ...]:
    """Decay, integral, added variances and loss of every session, each (M, N)."""
    rows = []
    for one, weeks in zip(dynamics, tau, strict=True):
        decay, integral = decay_terms(one.alpha, weeks)
        q_level, q_cross, q_swing = transition_covariance(one, weeks)
        q_level = q_level + one.wiggle_sd**2 * panel.excess
        loss = session_losses(panel, one)
        rows.append((decay, integral, q_level, q_cross, q_swing, loss))
    return tuple(np.stack(parts) for parts in zip(*rows, strict=True))


def _log_density(precision: Array, data: Array, heard: NDArray[np.bool_]) -> Array:
    """Normal log density of one session's innovation, 0 where it said nothing."""
    density = 0.5 * (
        np.log(np.where(heard, precision, 1.0)) - np.log(2.0 * np.pi) - precision * data**2
    )
    return np.where(heard, density, 0.0)
