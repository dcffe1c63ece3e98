"""Learning both engines and their pool from a log's past landmarks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from sklearn.model_selection import GroupKFold

from forecast.growth import (
    GrowthModel,
    Tracked,
    fit_growth_model,
    forecast_landmarks,
    outlook,
    states_table,
    track,
)
from forecast.histories import CohortRhythm, Histories
from forecast.readiness.combine import Combiner, fit_combiner, prior_weight
from forecast.readiness.lapse import (
    LapseModel,
    chance_flat,
    day_rhythm,
    fit_lapse,
    lapse_chances,
    silences,
    training_days,
)
from forecast.survival import (
    HazardModel,
    fit_hazard,
    landmark_features,
    predict_hazard,
    spread_over_days,
    stretch_edges,
    training_landmarks,
)
from forecast.types import Array, Ints

FOLDS = 5
POOL_LANDMARKS = 700
"""Landmarks used for the pool: five numbers need no more."""
POOL_PATHS = 64
POOL_DRAWS = 16
MIN_ATHLETES_TO_POOL = 2


@dataclass(frozen=True, slots=True)
class Engines:
    """What a fit leaves behind: both engines and the pool; who lapses, and when people train."""

    growth: GrowthModel
    hazard: HazardModel
    combiner: Combiner
    lapse: LapseModel
    days: CohortRhythm
    edges: Array
    log_start: pd.Timestamp


@dataclass(frozen=True, slots=True)
class Moments:
    """Landmarks with what was known at them: T rows everywhere.

    ``table`` spell, session, day (and weeks, cleared where known); ``features``; ``outlook``
    (T, B + 1); ``place`` the session's place in the growth panel.
    """

    table: pd.DataFrame
    features: pd.DataFrame
    outlook: Array
    place: Ints


def describe_moments(
    growth: GrowthModel,
    tracked: Tracked,
    histories: Histories,
    table: pd.DataFrame,
    edges: Array,
) -> Moments:
    """Gather what both engines need to know at landmarks."""
    states = states_table(tracked, histories)
    features = landmark_features(histories, table, states)
    place = states["place"].to_numpy(dtype=np.int64)[table["session"].to_numpy()]
    wait, rate = features["wait"].to_numpy(), features["rate"].to_numpy()
    seen = outlook(growth, tracked, place, wait, rate, edges)
    return Moments(table, features, seen, place)


def train_engines(
    histories: Histories,
    *,
    horizon_weeks: int,
    seed: int,
    start: GrowthModel | None = None,
    progress: Callable[[str], None] | None = None,
) -> tuple[Engines, Tracked]:
    """Fit the growth engine, the hazard on past landmarks, and their pool on out-of-fold athletes.

    The histories come back too, as seen through the growth engine, whose fit goes on from
    ``start``.

    Raises
    ------
    FitError
        An engine or the pool could not be fitted.
    """
    say = progress or (lambda _: None)
    growth = fit_growth_model(histories, start=start, progress=progress)
    tracked = track(growth, histories)
    edges = stretch_edges(horizon_weeks)
    lapse, rhythm, stays = _train_lapse(growth, tracked, histories, seed)
    table = training_landmarks(histories, stays)
    moments = describe_moments(growth, tracked, histories, table, edges)
    say("survival engine")
    n_rungs = len(histories.ladder.rungs)
    hazard = fit_hazard(moments.features, moments.outlook, table, edges, n_rungs)
    say("pool and recalibration")
    combiner = _train_pool(growth, tracked, histories, moments, edges, horizon_weeks, seed)
    engines = Engines(growth, hazard, combiner, lapse, rhythm, edges, histories.log_start)
    return engines, tracked


def _train_lapse(
    growth: GrowthModel, tracked: Tracked, histories: Histories, seed: int
) -> tuple[LapseModel, CohortRhythm, Array]:
    """Who stops for good, the rhythm of training days, and (S,) who of each spell has not yet."""
    days = training_days(histories, chance_flat(states_table(tracked, histories)))
    rhythm = day_rhythm(days, growth.rhythm.absences)
    fitted = fit_lapse(days, silences(days, rhythm).longer)
    gone = lapse_chances(fitted, rhythm, days, seed)["p_gone"]
    return fitted, rhythm, 1.0 - gone.reindex(histories.spells["athlete_id"]).fillna(0.0).to_numpy()


def _train_pool(
    growth: GrowthModel,
    tracked: Tracked,
    histories: Histories,
    moments: Moments,
    edges: Array,
    horizon_weeks: int,
    seed: int,
) -> Combiner:
    """Out-of-fold survival chances beside growth chances, at a sample of the landmarks."""
    athlete = histories.spells["athlete_id"].to_numpy()[moments.table["spell"].to_numpy()]
    people = np.unique(athlete)
    if len(people) < MIN_ATHLETES_TO_POOL:
        return Combiner(prior_weight(int(histories.spells["cleared_on"].notna().sum())))
    chosen = np.arange(len(athlete))
    if len(chosen) > POOL_LANDMARKS:
        chosen = chosen[np.linspace(0, len(chosen) - 1, POOL_LANDMARKS).astype(np.int64)]
    survival = _out_of_fold(moments, athlete, edges, len(histories.ladder.rungs))[chosen]
    sessions, spells = histories.sessions, histories.spells
    at = moments.table["session"].to_numpy()[chosen]
    confirm = confirm_sessions(
        histories, spells["rung_index"].to_numpy()[moments.table["spell"].to_numpy()[chosen]]
    )
    passage = forecast_landmarks(
        growth, tracked, moments.place[chosen],
        moments.features["wait"].to_numpy()[chosen] * 7.0,
        confirm, sessions["run"].to_numpy(dtype=np.int64)[at],
        horizon_days=7 * horizon_weeks, paths=POOL_PATHS, draws=POOL_DRAWS, seed=seed,
    )  # fmt: skip
    weekly = spread_over_days(survival, edges, 7 * horizon_weeks)[:, ::7]
    known = moments.table.iloc[chosen]
    return fit_combiner(
        weekly, passage.by_day[:, ::7], known["weeks"].to_numpy(dtype=float),
        known["cleared"].to_numpy(dtype=bool), athlete[chosen],
        n_clearings=int(spells["cleared_on"].notna().sum()),
        sure=known["sure"].to_numpy(dtype=float), stays=known["stays"].to_numpy(dtype=float),
    )  # fmt: skip


def confirm_sessions(histories: Histories, rung: Ints) -> Ints:
    """(T,) sessions in a row that each rung asks for."""
    asked = [r.criterion.confirm_sessions for r in histories.ladder.rungs]
    return np.asarray(asked, dtype=np.int64)[rung]


def _out_of_fold(moments: Moments, athlete: Ints, edges: Array, n_rungs: int) -> Array:
    """Survival chances at every landmark from a hazard that never saw its athlete."""
    folds = GroupKFold(n_splits=min(FOLDS, len(np.unique(athlete))))
    result = np.empty_like(moments.outlook)
    for train, test in folds.split(moments.outlook, groups=athlete):
        model = fit_hazard(
            moments.features.iloc[train], moments.outlook[train], moments.table.iloc[train], edges,
            n_rungs,
        )  # fmt: skip
        result[test] = predict_hazard(
            model, moments.features.iloc[test], moments.outlook[test], edges
        )
    return result
