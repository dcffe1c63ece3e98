"""Forward pass over all spells at once: what was known of each spell after each session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.growth.clock import Clock, session_doses
from forecast.growth.dynamics import Dynamics, decay_terms, transition_covariance
from forecast.growth.kernels import Stretches, filter_spells, lost_along, motion_along
from forecast.growth.observation import Noise, errors_of, sets_of
from forecast.growth.panel import Panel
from forecast.types import Array


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
        (N,) the day's part of the site's variance over the variance ``day_sd**2``.
    scatter
        (S,) how widely the athlete's sets were taken to scatter.
    """

    mean: Array
    cov: Array
    before_mean: Array
    before_var: Array
    log_evidence: Array
    site_mean: Array
    site_var: Array
    tail: Array
    scatter: Array


def lost_levels(panel: Panel, dynamics: Dynamics) -> Array:
    """(N,) level lost to layoffs at each session: a fixed function of the dates."""
    return lost_along(
        panel.start, panel.length, panel.rest, panel.excess, dynamics.detraining, dynamics.regain
    )


def stretches(
    panel: Panel, clock: Clock, dynamics: Dynamics, speed: Array | float = 1.0
) -> Stretches:
    """Return what lies between each session and the one before it; only the panel's timing is used.

    ``speed`` (S,): by how much each spell's own training time runs faster.
    """
    tau = session_doses(panel, clock) * np.broadcast_to(speed, panel.n_spells)[panel.spell]
    motion, loss = np.empty((panel.n_sessions, 6)), np.zeros(panel.n_sessions)
    motion_along(
        panel.start, panel.length, panel.excess, tau,
        lost_levels(panel, dynamics), (dynamics.alpha, dynamics.swing_sd, dynamics.wiggle_sd),
        motion, loss,
    )  # fmt: skip
    return Stretches(panel.start, panel.length, motion, loss)


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
    panel: Panel,
    between: Stretches,
    noise: Noise,
    prior_mean: Array,
    prior_cov: Array,
    scatter: Array | float,
) -> Filtered:
    """Run the assumed-density filter over every spell.

    ``between`` comes from ``stretches``. ``prior_mean`` (S, 3) and ``prior_cov`` (S, 3, 3) are the
    opinion of (level, swing, pace) at each spell's first session; ``scatter`` (S,) how widely the
    athlete's sets scatter, as a multiple of the cohort's noise.
    """
    n = panel.n_sessions
    scatter = np.broadcast_to(np.asarray(scatter, dtype=float), panel.n_spells)
    mean, cov, told = np.empty((n, 3)), np.empty((n, 3, 3)), np.empty((n, 6))
    filter_spells(
        between,
        np.ascontiguousarray(prior_mean, dtype=float), np.ascontiguousarray(prior_cov, dtype=float),
        sets_of(panel, noise), errors_of(noise, panel.measure, scatter), mean, cov, told,
    )  # fmt: skip
    before, var, evidence, site, site_var, tail = told.T
    return Filtered(mean, cov, before, var, evidence, site, site_var, tail, scatter)
