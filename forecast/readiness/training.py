"""Learning the engines and their pool from a log's past landmarks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast.growth import (
    GrowthModel,
    Tracked,
    fit_growth_model,
    states_table,
    track,
)
from forecast.histories import CohortRhythm, Histories
from forecast.readiness.combine import Combiner, fit_combiner
from forecast.readiness.engines import GROWTH, POOLED, Past, describe_moments
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
from forecast.types import Array

LEAST_LANDMARKS, MOST_LANDMARKS, SIGHTINGS = 700, 3000, 4
"""Landmarks used for the pool: so many an athlete, within bounds."""
MIN_ATHLETES_TO_POOL = 2


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
    histories: Histories,
    *,
    horizon_weeks: int,
    seed: int,
    start: GrowthModel | None = None,
    progress: Callable[[str], None] | None = None,
) -> tuple[Engines, Tracked]:
    """Fit the growth engine, each other one to past landmarks, and their pool on athletes left out.

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
    past = Past(growth, tracked, histories, moments, edges, horizon_weeks, seed)
    learnt: dict[str, Any] = {}
    for engine in POOLED:
        say(f"{engine.name} engine")
        learnt[engine.name] = engine.fit(past)
    say("pool and recalibration")
    combiner = _train_pool(past, learnt)
    engines = Engines(learnt, combiner, lapse, rhythm, edges, histories.log_start)
    return engines, tracked


def _train_lapse(
    growth: GrowthModel, tracked: Tracked, histories: Histories, seed: int
) -> tuple[LapseModel, CohortRhythm, Array]:
    """Who stops for good, the rhythm of training days, and (S,) who of each spell has not yet."""
    days = training_days(histories, chance_flat(states_table(tracked)))
    rhythm = day_rhythm(days, growth.rhythm.absences)
    fitted = fit_lapse(days, silences(days, rhythm).longer)
    gone = lapse_chances(fitted, rhythm, days, seed)["p_gone"]
    return fitted, rhythm, 1.0 - gone.reindex(histories.spells["athlete_id"]).fillna(0.0).to_numpy()


def _train_pool(past: Past, learnt: dict[str, Any]) -> Combiner:
    """Pool the engines by what each says of athletes left out, at a sample of the landmarks."""
    spells, n_landmarks = past.histories.spells, len(past.athlete)
    n_clearings = int(spells["cleared_on"].notna().sum())
    prior_weights = [engine.prior_weight(n_clearings) for engine in POOLED]
    n_athletes = len(np.unique(past.athlete))
    if n_athletes < MIN_ATHLETES_TO_POOL:
        return Combiner(np.column_stack([prior_weights[1:], np.zeros((len(POOLED) - 1, 2))]))
    chosen = np.arange(n_landmarks)
    most = int(np.clip(SIGHTINGS * n_athletes, LEAST_LANDMARKS, MOST_LANDMARKS))
    if n_landmarks > most:
        chosen = chosen[np.linspace(0, n_landmarks - 1, most).astype(np.int64)]
    known = past.moments.table.iloc[chosen]
    return fit_combiner(
        [engine.at_landmarks(learnt[engine.name], past, chosen) for engine in POOLED],
        known["weeks"].to_numpy(dtype=float),
        known["cleared"].to_numpy(dtype=bool),
        past.athlete[chosen],
        prior_weights,
        sure=known["sure"].to_numpy(dtype=float),
        stays=known["stays"].to_numpy(dtype=float),
        away=past.moments.features["wait"].to_numpy(dtype=float)[chosen],
    )
