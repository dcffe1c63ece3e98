"""Engines into one distribution: pool by horizon, then recalibrate, both shrunk.

With c_0, c_1, ... the engines' chances of having cleared by week u, each but the first takes a
share of what those before it have been pooled to,

    m_0 = c_0,   m_k = w_k c_k + (1 - w_k) m_(k-1),   w_k = expit(weight_k + drift_k * log(u / 8)),
    logit p(u) = shift + drift * log(u / 8) + stretch * logit m(u),

a linear pool, as wide as the engines disagree, recalibrated on the logit scale (Ranjan & Gneiting
2010, J. R. Stat. Soc. B 72:71, on why a pool needs recalibration). All numbers, five for two
engines, have normal priors around "equal parts, no recalibration", tight ones: past landmarks are
not quite like the present (spells that have ended are over-represented among them), and freer
numbers lost out of sample (docs/method/what-was-tried.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit

from forecast.errors import FitError
from forecast.types import Array

REFERENCE_WEEKS = 8.0
PRIOR_SD = np.array([0.3, 0.1, 0.15, 0.075, 0.1])
"""Prior spread of weight and its drift, shift, drift, log stretch (judgement)."""
SIGHTINGS = 3.0
"""An athlete's landmarks together count for at most this many: they share one future."""
_EDGE = 1e-5


def _even() -> Array:
    return np.zeros((1, 2))


@dataclass(frozen=True, slots=True)
class Combiner:
    """The numbers of the pool, and how many landmarks and athletes they were learnt from.

    ``weights`` (K - 1, 2): weight and drift of each engine after the first.
    """

    weights: Array = field(default_factory=_even)
    shift: float = 0.0
    drift: float = 0.0
    log_stretch: float = 0.0
    n_landmarks: int = 0
    n_athletes: int = 0

    def shares(self, weeks: Array) -> Array:
        """(K, W) share of each engine at each of the weeks; they sum to 1."""
        shares, left = [], np.ones(len(weeks))
        for weight, drift in self.weights[::-1]:
            own = expit(weight + drift * _log_time(weeks))
            shares.append(left * own)
            left = left * (1.0 - own)
        return np.array([left, *shares[::-1]])

    def combine(self, chances: Sequence[Array], weeks: Array) -> Array:
        """Return the pooled, recalibrated chances of having cleared by ``weeks`` (W,).

        ``chances`` are (T, W) from each of the K engines.
        """
        rest = [self.shift, self.drift, self.log_stretch]
        return _combine(np.concatenate([self.weights.ravel(), rest]), chances, weeks)


def _log_time(weeks: Array) -> Array:
    return np.asarray(np.log(np.maximum(weeks, 0.5) / REFERENCE_WEEKS))


def _combine(vector: Array, chances: Sequence[Array], weeks: Array) -> Array:
    time = _log_time(weeks)
    mixed = chances[0]
    for own, (weight, weight_drift) in zip(chances[1:], vector[:-3].reshape(-1, 2), strict=True):
        share = expit(weight + weight_drift * time)
        mixed = share * own + (1.0 - share) * mixed
    shift, drift, log_stretch = vector[-3:]
    pooled = np.exp(log_stretch) * logit(np.clip(mixed, _EDGE, 1 - _EDGE))
    chance = expit(shift + drift * time + pooled)
    # What an engine thinks impossible (no session can fall there yet) stays impossible.
    least = np.minimum.reduce(list(chances))
    return np.maximum.accumulate(np.where(least <= 0, least, chance), axis=1)


def _left(chance: Array, weeks: Array) -> Array:
    """Chance of not having cleared in so many (T,) weeks.

    Weeks lived through in part count in part: dropped, they would make clearing look early.
    """
    rows = np.arange(len(chance))
    before = np.minimum(weeks.astype(np.int64), chance.shape[1] - 2)
    part = weeks - before
    return np.asarray(1.0 - (1.0 - part) * chance[rows, before] - part * chance[rows, before + 1])


def prior_centre(prior_weights: Sequence[float]) -> Array:
    """Return the centre of the prior for the pool of engines with these prior log odds.

    Beside k engines already pooled, an engine with even odds takes one part of k + 1.
    """
    centre = np.zeros(2 * len(prior_weights) + 1)
    for k, weight in enumerate(prior_weights[1:], start=1):
        centre[2 * k - 2] = weight - np.log(k)
    return centre


def fit_combiner(
    chances: Sequence[Array],
    time: Array,
    cleared: NDArray[np.bool_],
    athlete: NDArray[np.int64],
    prior_weights: Sequence[float] | None = None,
    sure: Array | None = None,
    stays: Array | float = 1.0,
) -> Combiner:
    """Learn the pool from landmarks with the engines' out-of-fold chances.

    The censored log score is maximised: the log of the mass in the week of clearing, or of what
    is left at the end of what is known (a proper score: Gneiting & Raftery 2007).

    Parameters
    ----------
    chances
        (T, W) chances at whole weeks 0, 1, ..., W - 1, from each of the K engines.
    time, cleared
        (T,) weeks to clearing, or to the end of what is known.
    athlete
        (T,) whose landmark it is.
    prior_weights
        (K,) prior log odds of each engine beside one other; even where left out.
    sure, stays
        (T,) weeks that count in full, all where left out, and what those after them count for,
        as in ``fit_hazard``.

    Raises
    ------
    FitError
        The score is not a number.
    """
    centre = prior_centre([0.0] * len(chances) if prior_weights is None else prior_weights)
    spread = np.concatenate([np.tile(PRIOR_SD[:2], len(chances) - 1), PRIOR_SD[2:]])
    _, who, counts = np.unique(athlete, return_inverse=True, return_counts=True)
    importance = np.minimum(1.0, SIGHTINGS / counts)[who]
    last = chances[0].shape[1] - 1
    weeks = np.arange(last + 1, dtype=float)
    upper = np.clip(np.ceil(time), 1, last).astype(np.int64)
    until = (time, time if sure is None else sure)
    ends = [np.clip(weeks_known, 0.0, last) for weeks_known in until]
    event = cleared & (time <= last)
    rows = np.arange(len(time))

    def objective(vector: Array) -> float:
        chance = _combine(vector, chances, weeks)
        mass = chance[rows, upper] - chance[rows, upper - 1]
        through, surely = (np.log(np.maximum(_left(chance, end), 1e-4)) for end in ends)
        score = np.where(event, np.log(np.maximum(mass, 1e-4)), surely + stays * (through - surely))
        return float(-(importance * score).sum() + 0.5 * np.sum(((vector - centre) / spread) ** 2))

    found = minimize(objective, centre, method="L-BFGS-B", bounds=[(-3, 3)] * len(centre))
    if not np.isfinite(found.fun):
        raise FitError("The pool's score is not a number: an engine gave no proper chances.")
    shift, drift, log_stretch = (float(x) for x in found.x[-3:])
    return Combiner(
        found.x[:-3].reshape(-1, 2), shift, drift, log_stretch, len(time), n_athletes=len(counts)
    )
