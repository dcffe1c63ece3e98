"""Two engines into one distribution: pool by horizon, then recalibrate, both shrunk.

With s and g the two engines' chances of having cleared by week u,

    m(u) = w(u) s + (1 - w(u)) g,      w(u) = expit(weight + weight_drift * log(u / 8)),
    logit p(u) = shift + drift * log(u / 8) + stretch * logit m(u),

a linear pool, as wide as the engines disagree, recalibrated on the logit scale (Ranjan & Gneiting
2010, J. R. Stat. Soc. B 72:71, on why a pool needs recalibration). All five numbers have normal
priors around "one half each, no recalibration", tight ones: past landmarks are not quite like the
present (spells that have ended are over-represented among them), and freer numbers lost out of
sample (docs/method/what-was-tried.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit

from forecast.errors import FitError
from forecast.types import Array

REFERENCE_WEEKS = 8.0
PRIOR_SD = np.array([0.3, 0.1, 0.15, 0.075, 0.1])
"""Prior spread of weight, weight_drift, shift, drift, log stretch (judgement)."""
SIGHTINGS = 3.0
"""An athlete's landmarks together count for at most this many: they share one future."""
FEW_CLEARINGS = 10.0
LEAST_SHARE = 0.05
"""With this many clearings the survival engine starts from a quarter of the pool; never from less
than the least share (judgement)."""
_EDGE = 1e-5


@dataclass(frozen=True, slots=True)
class Combiner:
    """The five numbers of the pool, and how many landmarks and athletes they were learnt from."""

    weight: float = 0.0
    weight_drift: float = 0.0
    shift: float = 0.0
    drift: float = 0.0
    log_stretch: float = 0.0
    n_landmarks: int = 0
    n_athletes: int = 0

    def survival_weight(self, weeks: Array) -> Array:
        """Weight of the survival engine at each of the weeks, between 0 and 1."""
        return np.asarray(expit(self.weight + self.weight_drift * _log_time(weeks)))

    def combine(self, survival: Array, growth: Array, weeks: Array) -> Array:
        """Return the pooled, recalibrated chances.

        Parameters
        ----------
        survival, growth
            (T, W) chances of having cleared by each week, from either engine.
        weeks
            (W,) weeks after the cut.
        """
        vector = np.array(
            [self.weight, self.weight_drift, self.shift, self.drift, self.log_stretch]
        )
        return _combine(vector, survival, growth, weeks)


def _log_time(weeks: Array) -> Array:
    return np.asarray(np.log(np.maximum(weeks, 0.5) / REFERENCE_WEEKS))


def _combine(vector: Array, survival: Array, growth: Array, weeks: Array) -> Array:
    time = _log_time(weeks)
    share = expit(vector[0] + vector[1] * time)
    mixed = share * survival + (1.0 - share) * growth
    pooled = np.exp(vector[4]) * logit(np.clip(mixed, _EDGE, 1 - _EDGE))
    chance = expit(vector[2] + vector[3] * time + pooled)
    # What neither engine thinks possible (no session can fall there yet) stays impossible.
    chance = np.where((survival <= 0) | (growth <= 0), np.minimum(survival, growth), chance)
    return np.maximum.accumulate(chance, axis=1)


def _left(chance: Array, weeks: Array) -> Array:
    """Chance of not having cleared in so many (T,) weeks.

    Weeks lived through in part count in part: dropped, they would make clearing look early.
    """
    rows = np.arange(len(chance))
    before = np.minimum(weeks.astype(np.int64), chance.shape[1] - 2)
    part = weeks - before
    return np.asarray(1.0 - (1.0 - part) * chance[rows, before] - part * chance[rows, before + 1])


def prior_weight(n_clearings: int | None) -> float:
    """Return the prior logit weight of the survival engine, 0 (one half) with many clearings."""
    if n_clearings is None:
        return 0.0
    share = 0.5 * n_clearings / (n_clearings + FEW_CLEARINGS)
    return float(logit(max(share, LEAST_SHARE)))


def fit_combiner(
    survival: Array,
    growth: Array,
    time: Array,
    cleared: NDArray[np.bool_],
    athlete: NDArray[np.int64],
    n_clearings: int | None = None,
    sure: Array | None = None,
    stays: Array | float = 1.0,
) -> Combiner:
    """Learn the pool from landmarks with both engines' out-of-fold chances.

    The censored log score is maximised: the log of the mass in the week of clearing, or of what
    is left at the end of what is known (a proper score: Gneiting & Raftery 2007).

    Parameters
    ----------
    survival, growth
        (T, W) chances at whole weeks 0, 1, ..., W - 1.
    time, cleared
        (T,) weeks to clearing, or to the end of what is known.
    athlete
        (T,) whose landmark it is.
    n_clearings
        Clearings that the survival engine was fitted to: with few of them its prior weight is
        less than one half, for a hazard hardly ever seen has nothing to say of its own. Left
        out: many.
    sure, stays
        (T,) weeks that count in full, all where left out, and what those after them count for,
        as in ``fit_hazard``.

    Raises
    ------
    FitError
        The score is not a number.
    """
    centre = np.zeros(5)
    centre[0] = prior_weight(n_clearings)
    _, who, counts = np.unique(athlete, return_inverse=True, return_counts=True)
    importance = np.minimum(1.0, SIGHTINGS / counts)[who]
    last = survival.shape[1] - 1
    weeks = np.arange(last + 1, dtype=float)
    upper = np.clip(np.ceil(time), 1, last).astype(np.int64)
    until = (time, time if sure is None else sure)
    ends = [np.clip(weeks_known, 0.0, last) for weeks_known in until]
    event = cleared & (time <= last)
    rows = np.arange(len(time))

    def objective(vector: Array) -> float:
        chance = _combine(vector, survival, growth, weeks)
        mass = chance[rows, upper] - chance[rows, upper - 1]
        through, surely = (np.log(np.maximum(_left(chance, end), 1e-4)) for end in ends)
        score = np.where(event, np.log(np.maximum(mass, 1e-4)), surely + stays * (through - surely))
        return float(
            -(importance * score).sum() + 0.5 * np.sum(((vector - centre) / PRIOR_SD) ** 2)
        )

    found = minimize(objective, centre, method="L-BFGS-B", bounds=[(-3, 3)] * 5)
    if not np.isfinite(found.fun):
        raise FitError("The pool's score is not a number: an engine gave no proper chances.")
    weight, weight_drift, shift, drift, log_stretch = (float(x) for x in found.x)
    return Combiner(
        weight, weight_drift, shift, drift, log_stretch, len(time), n_athletes=len(counts)
    )
