"""Engines into one distribution: pool by horizon and by time away, then recalibrate, both shrunk.

With c_0, c_1, ... the engines' chances of having cleared by week u, of somebody whose last session
was s weeks ago, engine k has the share

    w_k ~ exp(weight_k + drift_k * log(u / 8) + away_k * log(1 + s / 4)),    all of engine 0's 0,
    logit p(u) = shift + drift * log(u / 8) + stretch * logit(sum_k w_k c_k(u)),

a linear pool, as wide as the engines disagree, recalibrated on the logit scale (Ranjan & Gneiting
2010, J. R. Stat. Soc. B 72:71, on why a pool needs recalibration). All numbers have priors around
"equal parts, no recalibration": normal ones for the shares, wider with the number of athletes;
narrow Cauchy ones for the others. Past landmarks are not quite like the present (spells that have
ended are over-represented among them), and freer numbers lost out of sample
(docs/method/what-was-tried.md).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit, logit, softmax

from forecast.errors import FitError
from forecast.growth import GrowthModel, Tracked, fit_growth_model, track
from forecast.histories import CohortRhythm, Histories
from forecast.readiness.engines import GROWTH, POOLED, Like, Past, describe_moments
from forecast.readiness.lapse import (
    LapseModel,
    chance_flat,
    day_rhythm,
    fit_lapse,
    lapse_chances,
    silences,
    training_days,
)
from forecast.survival import stretch_edges, training_landmarks
from forecast.types import Array, Flags, Ints

REFERENCE_WEEKS, REFERENCE_AWAY = 8.0, 4.0
SHARE_SD = np.array([0.3, 0.1, 0.1])
"""Prior spread of weight, drift and away (judgement)."""
RECALIBRATION_SCALE = np.array([0.015, 0.0075, 0.01])
"""Scale of the Cauchy prior of shift, drift and log stretch: next to nothing, unless the log says
loudly that every engine is far too sure (docs/method/what-was-tried.md)."""
FREEING_ATHLETES = 50.0
"""Athletes who make the prior variance of the shares twice as large (judgement)."""
SIGHTINGS = 3.0
"""An athlete's landmarks together count for at most this many: they share one future."""
LONGEST_AWAY = 104.0
LEAST_LANDMARKS, MOST_LANDMARKS, LANDMARKS_EACH = 700, 3000, 4
"""Landmarks used for the pool: so many an athlete, within bounds."""
MIN_ATHLETES_TO_POOL = 2
_EDGE = 1e-5


@dataclass(frozen=True, slots=True)
class Combiner:
    """The numbers of the pool, and how many landmarks and athletes they were learnt from.

    ``weights`` (K - 1, 3): weight, drift and away of each engine after the first.
    """

    weights: Array = field(default_factory=lambda: np.zeros((1, 3)))
    shift: float = 0.0
    drift: float = 0.0
    log_stretch: float = 0.0
    n_landmarks: int = 0
    n_athletes: int = 0

    def shares(self, weeks: Array, away: float = 0.0) -> Array:
        """(K, W) share of each engine at the weeks for somebody so long away; they sum to 1."""
        return _shares(self.weights, _log_time(weeks), _log_away(np.full(1, away)))

    def combine(self, chances: Sequence[Array], weeks: Array, away: Array | float = 0.0) -> Array:
        """Return the pooled chances by ``weeks`` (W,), of (T, W) ones and ``away`` (T,) weeks."""
        stacked = np.array(chances)
        numbers = np.array([self.shift, self.drift, self.log_stretch])
        log_away = _log_away(np.broadcast_to(away, stacked.shape[1]))[:, None]
        chance = _pooled(self.weights, numbers, stacked, _log_time(weeks)[None, :], log_away)
        return np.maximum.accumulate(chance, axis=1)


def _log_time(weeks: Array) -> Array:
    return np.asarray(np.log(np.maximum(weeks, 0.5) / REFERENCE_WEEKS))


def _log_away(away: Array) -> Array:
    return np.asarray(np.log1p(np.minimum(away, LONGEST_AWAY) / REFERENCE_AWAY))


def _shares(weights: Array, time: Array, away: Array) -> Array:
    first = np.zeros(np.broadcast_shapes(time.shape, away.shape))
    others = [w + drift * time + by_away * away for w, drift, by_away in weights]
    return np.asarray(softmax(np.stack([first, *others]), axis=0))


def _pooled(weights: Array, numbers: Array, chances: Array, time: Array, away: Array) -> Array:
    """Pool (K, T, C) chances at (T, C) or (1, C) times."""
    mixed = (_shares(weights, time, away) * chances).sum(axis=0)
    shift, drift, log_stretch = numbers
    odds = np.exp(log_stretch) * logit(np.clip(mixed, _EDGE, 1 - _EDGE))
    # What an engine thinks impossible (no session can fall there yet) stays impossible.
    least = chances.min(axis=0)
    return np.where(least <= 0, least, expit(shift + drift * time + odds))


def fit_combiner(
    chances: Sequence[Array], time: Array, cleared: Flags, athlete: Ints,
    prior_weights: Array | None = None, sure: Array | None = None, stays: Array | float = 1.0,
    away: Array | float = 0.0,
) -> Combiner:  # fmt: skip
    """Learn the pool from T landmarks with the engines' out-of-fold chances.

    ``chances`` (T, W) at whole weeks 0, 1, ..., W - 1, from each of the K engines; ``time`` weeks
    to clearing, or to the end of what is known; ``athlete`` whose landmark it is; ``prior_weights``
    (K - 1, 3) the middle of the prior of ``Combiner.weights``, even where left out; ``sure`` weeks
    that count in full, all where left out, and ``stays`` what those after them count for, as in
    ``fit_hazard``; ``away`` weeks since the last session. The censored log score is maximised: the
    log of the mass in the week of clearing, or of what is left at the end of what is known (a
    proper score: Gneiting & Raftery 2007). Raises ``FitError`` if the score is not a number.
    """
    prior = np.zeros((len(chances) - 1, 3)) if prior_weights is None else prior_weights
    _, who, counts = np.unique(athlete, return_inverse=True, return_counts=True)
    importance = np.minimum(1.0, SIGHTINGS / counts)[who]
    sd = SHARE_SD * np.sqrt(1.0 + len(counts) / FREEING_ATHLETES)
    centre = np.concatenate([prior.ravel(), np.zeros(3)])
    shares_sd = np.tile(sd, len(prior))
    # The score asks for the pool in six weeks only: around a clearing, and around two ends.
    last = chances[0].shape[1] - 1
    ends = [np.clip(end, 0.0, last) for end in (time, time if sure is None else sure)]
    before = [np.minimum(end.astype(np.int64), last - 1) for end in ends]
    upper = np.clip(np.ceil(time), 1, last).astype(np.int64)
    weeks = np.column_stack([upper, upper - 1, *(week + k for week in before for k in (0, 1))])
    asked = np.stack([np.take_along_axis(one, weeks, axis=1) for one in chances])
    log_time = _log_time(weeks.astype(float))
    log_away = _log_away(np.broadcast_to(away, len(time)))[:, None]
    event = cleared & (time <= last)

    def objective(vector: Array) -> float:
        chance = _pooled(vector[:-3].reshape(-1, 3), vector[-3:], asked, log_time, log_away)
        # Weeks lived through in part count in part: dropped, clearing would look early.
        through, surely = (
            np.log(np.maximum(1.0 - chance[:, c] - (end - week) * (chance[:, c + 1] - chance[:, c]),
                              1e-4))
            for c, end, week in zip((2, 4), ends, before, strict=True)
        )  # fmt: skip
        mass = np.log(np.maximum(chance[:, 0] - chance[:, 1], 1e-4))
        score = np.where(event, mass, surely + stays * (through - surely))
        penalty = 0.5 * np.sum(((vector - centre)[:-3] / shares_sd) ** 2)
        penalty += np.log1p((vector[-3:] / RECALIBRATION_SCALE) ** 2).sum()
        return float(penalty - (importance * score).sum())

    bounds = [(c - 4.0, c + 4.0) for c in centre]
    best = minimize(objective, centre, method="L-BFGS-B", bounds=bounds)
    if not np.isfinite(best.fun):
        raise FitError("The pool's score is not a number: an engine gave no proper chances.")
    shift, drift, log_stretch = (float(x) for x in best.x[-3:])
    return Combiner(
        best.x[:-3].reshape(-1, 3), shift, drift, log_stretch, len(time), n_athletes=len(counts)
    )


@dataclass(frozen=True, slots=True)
class Engines:
    """What a fit leaves behind: the engines and their pool; who lapses, and when people train.

    ``learnt`` is what each engine of the pool learnt, by its name.
    """

    learnt: dict[str, Any]
    combiner: Combiner
    lapse: LapseModel
    days: CohortRhythm
    edges: Array
    log_start: pd.Timestamp

    @property
    def growth(self) -> GrowthModel:
        """The growth engine's model, through which every room sees a log."""
        model: GrowthModel = self.learnt[GROWTH.name]
        return model


def train_engines(
    histories: Histories, *, horizon_weeks: int, seed: int, start: GrowthModel | None = None,
    like: tuple[Engines, Sequence[str]] | None = None,
    progress: Callable[[str], None] | None = None,
) -> tuple[Engines, Tracked]:  # fmt: skip
    """Fit the growth engine, each other one to past landmarks, and their pool on athletes left out.

    The histories come back too, as seen through the growth engine, whose fit goes on from
    ``start``. ``like`` are another club's engines as prior, and the keys of its rungs. Raises
    ``FitError`` if an engine or the pool could not be fitted.
    """
    say = progress or (lambda _: None)
    lent, prior = None, None
    if like is not None:
        places = pd.Index(like[1]).get_indexer(pd.Index(histories.ladder.keys)).astype(np.int64)
        lent = Like(like[0].learnt, like[0].combiner.weights, places, len(like[1]))
        prior = like[0].growth, places
    growth = fit_growth_model(histories, start=start, like=prior, progress=progress)
    tracked, edges = track(growth, histories), stretch_edges(horizon_weeks)
    days = training_days(histories, chance_flat(tracked.states()))
    rhythm = day_rhythm(days, growth.rhythm.absences)
    lapse = fit_lapse(days, silences(days, rhythm).longer)
    gone = lapse_chances(lapse, rhythm, days, seed)["p_gone"]
    stays = 1.0 - gone.reindex(histories.spells["athlete_id"]).fillna(0.0).to_numpy()
    table = training_landmarks(histories, stays)
    moments = describe_moments(tracked, histories, table, edges)
    past = Past(growth, tracked, histories, moments, edges, horizon_weeks, seed, lent)
    learnt: dict[str, Any] = {}
    for engine in POOLED:
        say(f"{engine.name} engine")
        learnt[engine.name] = engine.fit(past)
    say("pool and recalibration")
    combiner = _train_pool(past, learnt)
    return Engines(learnt, combiner, lapse, rhythm, edges, histories.log_start), tracked


def _train_pool(past: Past, learnt: dict[str, Any]) -> Combiner:
    """Pool the engines by what each says of athletes left out, at a sample of the landmarks."""
    n_landmarks, n_athletes = len(past.athlete), len(np.unique(past.athlete))
    n_clearings = int(past.histories.spells["cleared_on"].notna().sum())
    usual = np.array([engine.prior_weight(n_clearings) for engine in POOLED[1:]])
    prior = past.like.weights if past.like else np.column_stack([usual, *np.zeros((2, len(usual)))])
    if n_athletes < MIN_ATHLETES_TO_POOL:
        return Combiner(prior)
    chosen = np.arange(n_landmarks)
    most = int(np.clip(LANDMARKS_EACH * n_athletes, LEAST_LANDMARKS, MOST_LANDMARKS))
    if n_landmarks > most:
        chosen = chosen[np.linspace(0, n_landmarks - 1, most).astype(np.int64)]
    table = past.moments.table.iloc[chosen]
    return fit_combiner(
        [engine.at_landmarks(learnt[engine.name], past, chosen) for engine in POOLED],
        table["weeks"].to_numpy(dtype=float), table["cleared"].to_numpy(dtype=bool),
        past.athlete[chosen], prior, sure=table["sure"].to_numpy(dtype=float),
        stays=table["stays"].to_numpy(dtype=float),
        away=past.moments.features["wait"].to_numpy(dtype=float)[chosen],
    )  # fmt: skip
