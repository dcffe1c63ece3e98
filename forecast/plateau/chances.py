"""The chance of being flat: how often a gain measured like this one is too small to matter.

Gains measured over six weeks are true gains and error. How true gains are spread in the log is
learnt from all that were measured in it, as weights on a grid (nonparametric maximum likelihood by
the EM algorithm: Laird 1978, J. Am. Stat. Assoc. 73:805), and pulled toward a spread stated here;
Bayes' rule then gives what one measured gain says (Robbins 1956, Proc. Third Berkeley Symp. 1:157).
"""

from __future__ import annotations

import numpy as np
from scipy.stats import norm

from forecast.types import Array

STEP = 0.0025
GRID = np.arange(-60, 121) * STEP
"""Gains a week, -15 to 30 %."""

STALLED_SHARE, STALLED_SD = 0.25, 0.003
MOVING_MEAN, MOVING_SD = 0.03, 0.04
"""The spread of gains before any log (judgement): a quarter stand still, the others gain 3 % a week
give or take 4."""
STRENGTH = 20.0
"""It counts like so many stretches of six weeks."""
LEAST_SHARE = 0.2
"""And for so much however long the log: stalls come where none has been seen."""
ROUNDS = 60
MOST_MEASURED = 20_000
"""Gains that the spread is learnt from at most, spread evenly over the log."""
CHUNK = 4096


def usual_gains() -> Array:
    """Return the stated spread of gains, weights on ``GRID``."""
    stalled, moving = norm.pdf(GRID, 0.0, STALLED_SD), norm.pdf(GRID, MOVING_MEAN, MOVING_SD)
    return np.asarray(
        STALLED_SHARE * stalled / stalled.sum() + (1.0 - STALLED_SHARE) * moving / moving.sum()
    )


def learn_gains(gain: Array, sd: Array, weight: Array) -> Array:
    """Return how true gains are spread, weights on ``GRID``.

    Parameters
    ----------
    gain, sd
        (n,) measured gains and their standard errors.
    weight
        (n,) how many stretches of six weeks each stands for: neighbours overlap.
    """
    usual = usual_gains()
    part = slice(None, None, len(gain) // MOST_MEASURED + 1)
    density, weight = _density(gain[part], sd[part]), weight[part]
    spread = usual
    for _ in range(ROUNDS):
        share = density * spread
        share /= share.sum(axis=1, keepdims=True)
        spread = weight @ share + STRENGTH * usual
        spread /= spread.sum()
    return LEAST_SHARE * usual + (1.0 - LEAST_SHARE) * spread


def chance_flat(gain: Array, sd: Array, least: Array, spread: Array) -> Array:
    """Return the chance that the true gain is no more than the smallest that matters.

    Parameters
    ----------
    gain, sd, least
        Measured gains, their standard errors and the smallest gains that matter; any one shape.
    spread
        From ``learn_gains``.
    """
    flat = [np.ravel(values) for values in (gain, sd, least)]
    out = np.empty(len(flat[0]))
    for low in range(0, len(out), CHUNK):
        some, error, small = (values[low : low + CHUNK] for values in flat)
        share = _density(some, error) * spread
        # A grid point stands for the step around it: counted in by the part that is small enough.
        inside = np.clip((small[:, None] - GRID) / STEP + 0.5, 0.0, 1.0)
        out[low : low + CHUNK] = (share * inside).sum(axis=1) / share.sum(axis=1)
    return out.reshape(np.shape(gain))


def _density(gain: Array, sd: Array) -> Array:
    """(n, grid) density of each measured gain, up to a factor for each; never 0 all along."""
    log = -0.5 * ((gain[:, None] - GRID) / sd[:, None]) ** 2
    return np.asarray(np.exp(log - log.max(axis=1, keepdims=True)))
