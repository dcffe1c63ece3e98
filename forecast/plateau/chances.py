"""The chance of being flat: how often a gain measured like this one is too small to matter.

Gains measured over six weeks are true gains and error. True gains are taken to be spread as stated
here, part of them at a standstill, and Bayes' rule gives what one measured gain says. A spread
learnt from the log instead (nonparametric maximum likelihood) found fewer stalls at equal false
alarms on every cohort tried: the log's own wild days shape it.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit
from scipy.stats import norm

from forecast.types import Array

STALLED_SHARE, STALLED_SD = 1 / 3, 0.003
MOVING_MEAN, MOVING_SD = 0.03, 0.04
"""The spread of true gains a week (judgement): a third stand still, the others gain 3 % a week
give or take 4."""


def chance_flat(gain: Array, sd: Array, least: Array) -> Array:
    """Return the chance that the true gain is no more than the smallest that matters.

    From gains measured a week, their standard errors and the smallest gains, which broadcast.
    """
    stalled = norm.logpdf(gain, 0.0, np.hypot(sd, STALLED_SD)) + np.log(STALLED_SHARE)
    moving = norm.logpdf(gain, MOVING_MEAN, np.hypot(sd, MOVING_SD)) + np.log1p(-STALLED_SHARE)
    weight = expit(stalled - moving)
    return np.asarray(
        weight * _below(gain, sd, least, 0.0, STALLED_SD)
        + (1.0 - weight) * _below(gain, sd, least, MOVING_MEAN, MOVING_SD)
    )


def _below(gain: Array, sd: Array, least: Array, mean: float, spread: float) -> Array:
    """Chance of no more than ``least`` after a measured gain, from a normal opinion before it."""
    var = 1.0 / (1.0 / spread**2 + 1.0 / sd**2)
    return np.asarray(norm.cdf((least - var * (mean / spread**2 + gain / sd**2)) / np.sqrt(var)))
