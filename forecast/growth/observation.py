"""What one session says about the level: exact likelihood of its sets, matched by a Gaussian.

A set's capacity is level + day form + set order, unclean and assisted offsets + set noise, and
the record says only that it lay in an interval (``intervals``). A small share of sets ends early
for no reason of strength (a slip, a phone): such a record says only "this much or more". Day form
has a heavy tail: a two-part normal mixture, the second part three times as wide. Given a normal
opinion of the level before the session, the opinion after it is matched in mean and variance
(assumed-density filtering, one sweep of expectation propagation: Minka 2001, UAI 17:362),
integrals by Gauss-Hermite quadrature centred where the mass is (Liu & Pierce 1994, Biometrika
81:624).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from forecast.growth.panel import Panel

Array = NDArray[np.float64]

TAIL_WEIGHT = 0.08
TAIL_SCALE = 9.0
"""Variance of the wide part of the day's form over that of the ordinary part."""

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
_LOG_WEIGHTS = np.log(_WEIGHTS / np.sqrt(2.0 * np.pi)) + 0.5 * _NODES**2
_FLOOR = 1e-290

SLIP_DENSITY = 1.0
"""Density of a slip's record per unit of the latent scale: slips fall anywhere in about one unit
(a factor of e) below capacity (judgement)."""
OPEN_SLIP = 0.1
"""Chance of a record without a lower or upper bound, given a slip (judgement)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Constants of a session's record, in latent units.

    ``day_sd`` and ``set_sd`` are (4,) by measure; the rest apply to every set: ``fatigue`` for
    each set done before, ``unclean`` and ``assisted`` where flagged; ``slip`` is the share of sets
    that ended early for reasons that have nothing to do with capacity.
    """

    day_sd: Array
    set_sd: Array
    fatigue: float
    unclean: float
    assisted: float
    slip: float = 0.0


@dataclass(frozen=True, slots=True)
class Match:
    """Result of matching n sessions: arrays of shape (n,).

    ``log_evidence`` of the sets given the opinion before; ``mean`` and ``var`` of the level
    after; ``tail`` the expected variance factor of the day's form (1 ordinary, up to 9).
    """

    log_evidence: Array
    mean: Array
    var: Array
    tail: Array


def interval_probability(lower: Array, upper: Array) -> Array:
    """Return P(lower < Z <= upper) for a standard normal, accurate in both tails."""
    with np.errstate(invalid="ignore"):  # -inf + inf: an unbounded set, not to be flipped
        flip = lower + upper > 0
    a = np.where(flip, -upper, lower)
    b = np.where(flip, -lower, upper)
    return np.asarray(ndtr(b) - ndtr(a))


def set_offsets(panel: Panel, noise: Noise, index: NDArray[np.int64], width: int) -> Array:
    """Return the mean shift of each set of the given sessions, shape (n, width)."""
    return np.asarray(
        noise.fatigue * panel.fatigue[index, :width]
        + noise.unclean * panel.unclean[index, :width]
        + noise.assisted * panel.assisted[index, :width]
    )


def match_sessions(
    panel: Panel, noise: Noise, index: NDArray[np.int64], mean: Array, var: Array
) -> Match:
    """Match the level after the given sessions, from a normal opinion before them.

    Parameters
    ----------
    panel, noise
        The records and the noise constants.
    index
        (n,) sessions of the panel.
    mean, var
        (n,) opinion of the level before each session.
    """
    width = int(panel.n_sets[index].max(initial=1))
    measure = panel.measure[panel.spell[index]]
    scatter = panel.scatter[panel.spell[index]]
    set_sd = (noise.set_sd[measure] * scatter)[:, None]
    offsets = set_offsets(panel, noise, index, width)
    lower = panel.lower[index, :width] - offsets
    upper = panel.upper[index, :width] - offsets
    day_var = (noise.day_sd[measure] * scatter) ** 2
    guess_precision, guess_sum = _plain_sets(lower, upper, set_sd)
    parts = [
        _tilt(
            mean,
            var + day_var * scale,
            lower,
            upper,
            set_sd,
            noise.slip,
            guess_precision,
            guess_sum,
        )
        for scale in (1.0, TAIL_SCALE)
    ]
    weights = np.array([1.0 - TAIL_WEIGHT, TAIL_WEIGHT])[:, None]
    log_part = np.log(weights) + np.stack([part[0] for part in parts])
    top = log_part.max(axis=0)
    share = np.exp(log_part - top)
    total = share.sum(axis=0)
    share = share / total
    factors = np.array([1.0, TAIL_SCALE])[:, None]
    slope = var / (var + day_var * factors)
    means = mean + slope * (np.stack([part[1] for part in parts]) - mean)
    spread = var * (1.0 - slope) + slope**2 * np.stack([part[2] for part in parts])
    after = (share * means).sum(axis=0)
    after_var = (share * (spread + (means - after) ** 2)).sum(axis=0)
    return Match(
        log_evidence=top + np.log(total),
        mean=after,
        var=np.minimum(after_var, var),
        tail=(share * factors).sum(axis=0),
    )


def _plain_sets(lower: Array, upper: Array, set_sd: Array) -> tuple[Array, Array]:
    """Precision and precision-weighted sum of the sets bounded on both sides."""
    bounded = np.isfinite(lower) & np.isfinite(upper)
    low, high = np.where(bounded, lower, 0.0), np.where(bounded, upper, 0.0)
    middle, width = 0.5 * (low + high), high - low
    precision = np.where(bounded, 1.0 / (set_sd**2 + width**2 / 12.0), 0.0)
    return precision.sum(axis=1), (precision * middle).sum(axis=1)


def _tilt(
    mean: Array,
    var: Array,
    lower: Array,
    upper: Array,
    set_sd: Array,
    slip: float,
    guess_precision: Array,
    guess_sum: Array,
) -> tuple[Array, Array, Array]:
    """Log evidence, mean and variance of the day's ability under one part of the mixture."""
    precision = 1.0 / var + guess_precision
    width = upper - lower
    slip_mass = np.where(np.isfinite(width), np.minimum(SLIP_DENSITY * width, 1.0), OPEN_SLIP)
    padded = np.isneginf(lower) & np.isposinf(upper)
    slip_mass = slip * np.where(padded, 1.0, slip_mass)[:, :, None]
    centre = (mean / var + guess_sum) / precision
    spread = 1.3 / precision
    log_z = np.zeros_like(mean)
    for _ in range(2):
        nodes = centre[:, None] + np.sqrt(spread)[:, None] * _NODES
        scaled_low = (lower[:, :, None] - nodes[:, None, :]) / set_sd[:, :, None]
        scaled_high = (upper[:, :, None] - nodes[:, None, :]) / set_sd[:, :, None]
        inside = (1.0 - slip) * interval_probability(scaled_low, scaled_high)
        inside += slip_mass * ndtr(-scaled_low)
        log_likelihood = np.log(np.maximum(inside, _FLOOR)).sum(axis=1)
        log_prior = -0.5 * (nodes - mean[:, None]) ** 2 / var[:, None]
        log_term = log_likelihood + log_prior + _LOG_WEIGHTS
        top = log_term.max(axis=1)
        term = np.exp(log_term - top[:, None])
        total = term.sum(axis=1)
        log_z = top + np.log(total) + 0.5 * np.log(spread / var)
        term /= total[:, None]
        centre = (term * nodes).sum(axis=1)
        after = (term * (nodes - centre[:, None]) ** 2).sum(axis=1)
        # A collapsed spread would stop the second look from seeing anything new.
        spread = np.maximum(after, 1e-3 * spread)
    return log_z, centre, np.maximum(after, 1e-12)
