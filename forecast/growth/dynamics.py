"""How level moves between two dates: exact transitions of a continuous-time model.

State of a spell: ``level`` x, ``swing`` d (the part of the gain that reverts to nothing) and
``pace`` m (the part that stays). Between dates, tau weeks of training apart,

    dx = (m + d) dt + sigma_x dW,     dd = -alpha d dt + sd_d sqrt(2 alpha) dW,

an integrated Ornstein-Uhlenbeck process (Taylor, Cumberland & Sy 1994, J. Am. Stat. Assoc.
89:727) with a drift. A start at d > 0 with a small m slows towards a ceiling ``x0 + d0 / alpha``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.growth.kernels import flattened, variances
from forecast.types import Array


@dataclass(frozen=True, slots=True)
class Dynamics:
    """Constants of the motion.

    Attributes
    ----------
    alpha
        Rate at which the swing reverts, per week.
    swing_sd
        Stationary standard deviation of the swing, latent units per week.
    wiggle_sd
        Standard deviation of the Brownian part of the level after one week.
    detraining
        Level lost per week beyond a gap of ``grace`` weeks.
    regain
        Rate per week of training at which lost level comes back: what was once there returns
        faster than it was built (common practice, no source).
    """

    alpha: float
    swing_sd: float
    wiggle_sd: float
    detraining: float
    regain: float = 0.0


def decay_terms(alpha: float, tau: Array) -> tuple[Array, Array]:
    """Return ``exp(-alpha tau)`` and its integral ``(1 - exp(-alpha tau)) / alpha``."""
    return np.exp(-alpha * tau), -np.expm1(-alpha * tau) / alpha


def transition_covariance(dynamics: Dynamics, tau: Array) -> tuple[Array, Array, Array]:
    """Return the variances of level and swing and their covariance added over ``tau`` weeks.

    In the order level, covariance, swing, for weeks of training of any shape, 0 or more. Given d at
    the start; the level's Brownian part is in.
    """
    shape, (alpha, swing_sd, wiggle_sd, weeks) = flattened(
        dynamics.alpha, dynamics.swing_sd, dynamics.wiggle_sd, tau
    )
    out = np.empty((3, len(weeks)))
    variances(alpha, swing_sd, wiggle_sd, weeks, out)
    level, cross, swing = out.reshape(3, *shape)
    return level, cross, swing


def split_gap(weeks: Array, grace: Array | float) -> tuple[Array, Array]:
    """Split weeks between sessions into training time and excess.

    Up to ``grace`` weeks between sessions are ordinary rest, in which training goes on working;
    what lies beyond adds no gain and is charged with detraining.
    """
    weeks = np.asarray(weeks, dtype=float)
    tau = np.minimum(weeks, grace)
    return tau, weeks - tau


def lost_after(dynamics: Dynamics, lost: Array, rest: Array, excess: Array) -> Array:
    """Return the level lost to layoffs after a gap, from what was lost before it.

    ``rest`` are weeks of ordinary rest, in which lost level comes back, ``excess`` weeks beyond.
    """
    return np.asarray(lost * np.exp(-dynamics.regain * rest) + dynamics.detraining * excess)
