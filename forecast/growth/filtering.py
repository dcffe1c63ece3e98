"""Forward pass over all spells at once: what was known of each spell after each session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.growth.dynamics import Dynamics, decay_terms, lost_after, transition_covariance
from forecast.growth.observation import Match, Noise, match_sessions
from forecast.growth.panel import Panel

Array = NDArray[np.float64]

LEAST_TOLD = 1e-3
"""Share of the opinion's precision that a session must add to count as an observation."""
FARTHEST = 5.0
"""Standard deviations from what was expected within which a session's observation is kept."""


@dataclass(frozen=True, slots=True)
class Filtered:
    """Opinion of (level, swing, pace) before and after each session, and what the session added.

    Attributes
    ----------
    mean, cov
        (N, 3) and (N, 3, 3) after each session.
    before_mean, before_var
        (N,) opinion of the level just before each session.
    log_evidence
        (N,) log probability of each session's sets given the sessions before.
    site_mean, site_var
        (N,) the session as one normal observation of the level; ``site_var`` is infinite where
        it said nothing.
    tail
        (N,) variance factor of the day's form, 1 for an ordinary day.
    """

    mean: Array
    cov: Array
    before_mean: Array
    before_var: Array
    log_evidence: Array
    site_mean: Array
    site_var: Array
    tail: Array


def lost_levels(panel: Panel, dynamics: Dynamics) -> Array:
    """(N,) level lost to layoffs at each session: a fixed function of the dates."""
    lost = np.zeros(panel.n_sessions)
    for step in range(1, int(panel.length.max(initial=0))):
        active = int(np.searchsorted(-panel.length, -step, side="left"))
        at = panel.start[:active] + step
        lost[at] = lost_after(dynamics, lost[at - 1], panel.rest[at], panel.excess[at])
    return lost


def session_losses(panel: Panel, dynamics: Dynamics) -> Array:
    """(N,) level lost since the session before, net of what came back; 0 at the first."""
    lost = lost_levels(panel, dynamics)
    change = np.diff(lost, prepend=0.0)
    change[panel.start] = 0.0
    return change


def propagate(
    dynamics: Dynamics,
    mean: Array,
    cov: Array,
    tau: Array,
    excess: Array,
    loss: Array | None = None,
) -> tuple[Array, Array]:
    """Carry (n, 3) means and (n, 3, 3) covariances over training weeks and excess weeks.

    ``loss`` (n,) is the level lost to the layoff, net of what came back; without it nothing had
    been lost before.
    """
    if loss is None:
        loss = dynamics.detraining * excess
    decay, integral = decay_terms(dynamics.alpha, tau)
    step = np.zeros((len(tau), 3, 3))
    step[:, 0, 0] = step[:, 2, 2] = 1.0
    step[:, 0, 1], step[:, 0, 2], step[:, 1, 1] = integral, tau, decay
    moved = np.einsum("nij,nj->ni", step, mean)
    moved[:, 0] -= loss
    spread = step @ cov @ step.transpose(0, 2, 1)
    level_var, cross, swing_var = transition_covariance(dynamics, tau)
    spread[:, 0, 0] += level_var + dynamics.wiggle_sd**2 * excess
    spread[:, 0, 1] += cross
    spread[:, 1, 0] += cross
    spread[:, 1, 1] += swing_var
    return moved, spread


def forward_pass(
    panel: Panel, dynamics: Dynamics, noise: Noise, prior_mean: Array, prior_cov: Array
) -> Filtered:
    """Run the assumed-density filter over every spell, longest first.

    Parameters
    ----------
    panel, dynamics, noise
        Records and constants.
    prior_mean, prior_cov
        (S, 3) and (S, 3, 3): opinion of (level, swing, pace) at each spell's first session.
    """
    n = panel.n_sessions
    out = Filtered(np.empty((n, 3)), np.empty((n, 3, 3)), *(np.empty(n) for _ in range(6)))
    mean, cov = prior_mean.copy(), prior_cov.copy()
    loss = session_losses(panel, dynamics)
    for step in range(int(panel.length.max(initial=0))):
        active = int(np.searchsorted(-panel.length, -step, side="left"))
        index = panel.start[:active] + step
        mean, cov = mean[:active], cov[:active]
        if step > 0:
            mean, cov = propagate(
                dynamics, mean, cov, panel.tau[index], panel.excess[index], loss[index]
            )
        mean, cov = _absorb(panel, noise, index, mean, cov, out)
    return out


def _absorb(
    panel: Panel, noise: Noise, index: NDArray[np.int64], mean: Array, cov: Array, out: Filtered
) -> tuple[Array, Array]:
    """Take in one session of each active spell and note what it said."""
    before, var = mean[:, 0].copy(), cov[:, 0, 0].copy()
    match = match_sessions(panel, noise, index, before, var)
    gain = cov[:, :, 0] / var[:, None]
    mean = mean + gain * (match.mean - before)[:, None]
    cov = cov - gain[:, :, None] * gain[:, None, :] * (var - match.var)[:, None, None]
    out.mean[index], out.cov[index] = mean, cov
    out.before_mean[index], out.before_var[index] = before, var
    out.log_evidence[index], out.tail[index] = match.log_evidence, match.tail
    out.site_mean[index], out.site_var[index] = _site(before, var, match)
    return mean, cov


def _site(before: Array, var: Array, match: Match) -> tuple[Array, Array]:
    """The session as one normal observation: what turns the opinion before into that after.

    A day far off moves the mean while it hardly narrows the opinion; divided out, that would be
    an observation at an absurd distance, whose density ruins the evidence of the whole log. It
    is kept within ``FARTHEST`` standard deviations of what was expected, or says nothing.
    """
    told = 1.0 / match.var - 1.0 / var
    silent = told < LEAST_TOLD / var
    told = np.where(silent, 1.0, told)
    site_var = np.where(silent, np.inf, 1.0 / told)
    site = (match.mean / match.var - before / var) / told
    reach = FARTHEST * np.sqrt(np.where(silent, 0.0, site_var) + var)
    site = np.clip(site, before - reach, before + reach)
    return np.where(silent, before, site), site_var
