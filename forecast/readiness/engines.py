"""The engines of the pool: what each is asked, what it is given to answer from, and their list.

Another engine is a class like these and a place in ``POOLED``; the pool learns a weight for each.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
import pandas as pd
from scipy.special import logit
from sklearn.model_selection import GroupKFold

from forecast.growth import GrowthModel, Simulation, Tracked, forecast_landmarks
from forecast.histories import Histories
from forecast.survival import (
    HazardModel,
    TreeHazard,
    cut_landmarks,
    fit_hazard,
    fit_tree_hazard,
    landmark_features,
    on_ladder,
    predict_hazard,
    predict_tree_hazard,
    spread_over_days,
)
from forecast.types import Array, Ints

PATHS, DRAWS = 64, 16
"""Paths and draws of a landmark: with hundreds of them, few will do."""
FOLDS = 4
MAX_LANDMARKS = 6000
"""More landmarks than these teach the ridge's few weights nothing, at the price of time."""
FEW_CLEARINGS, LEAST_SHARE = 10.0, 0.05
"""With this many clearings the survival engine starts from a quarter of the pool; never from less
than the least share (judgement)."""
LENT_TREES = 0.5
"""Of the share of another club's trees; they are taken where that is more than one's own have."""
TREE_CLEARINGS = 100.0
"""With this many clearings the trees are half of the engine; see docs/method/what-was-tried.md."""


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

    def at(self, chosen: Ints) -> Moments:
        """Return some of them."""
        return Moments(
            self.table.iloc[chosen], self.features.iloc[chosen], self.outlook[chosen],
            self.place[chosen],
        )  # fmt: skip


def describe_moments(
    tracked: Tracked, histories: Histories, table: pd.DataFrame, edges: Array
) -> Moments:
    """Gather what engines need to know at landmarks."""
    states = tracked.states()
    features = landmark_features(histories, table, states)
    place = states["place"].to_numpy(dtype=np.int64)[table["session"].to_numpy()]
    wait, rate = features["wait"].to_numpy(), features["rate"].to_numpy()
    return Moments(table, features, tracked.outlook(place, wait, rate, edges), place)


def confirm_sessions(histories: Histories, rung: Ints) -> Ints:
    """(T,) sessions in a row that each rung asks for."""
    asked = [r.criterion.confirm_sessions for r in histories.ladder.rungs]
    return np.asarray(asked, dtype=np.int64)[rung]


@dataclass(frozen=True, slots=True)
class Like:
    """Another club as prior: what its engines learnt on a ladder of ``n_rungs``, and its pool.

    ``places`` (R,) are those of this ladder's rungs there, -1 where it has no such rung.
    """

    learnt: dict[str, Any]
    weights: Array
    places: Ints
    n_rungs: int


@dataclass(frozen=True)
class Past:
    """What engines learn from: a log, and landmarks in it with what came of them.

    ``growth`` and ``tracked`` are the growth engine's model and the log seen through it, which
    every engine may use; ``edges`` the ends of the stretches in weeks (``survival.stretch_edges``).
    """

    growth: GrowthModel
    tracked: Tracked
    histories: Histories
    moments: Moments
    edges: Array
    horizon_weeks: int
    seed: int
    like: Like | None = None

    @cached_property
    def athlete(self) -> Ints:
        """(T,) whose landmark each is."""
        spell = self.moments.table["spell"].to_numpy()
        return np.asarray(self.histories.spells["athlete_id"].to_numpy()[spell])


@dataclass(frozen=True)
class Present:
    """The spells under way at a cut: what engines forecast.

    ``which`` (T,) places of the spells in the panel; ``passage`` (T, D + 1) their daily chances by
    the growth engine, whose simulation says much else of them and is run once.
    """

    growth: GrowthModel
    tracked: Tracked
    histories: Histories
    which: Ints
    edges: Array
    horizon_weeks: int
    passage: Array

    @cached_property
    def moments(self) -> Moments:
        """What is known of the spells at the cut."""
        table = cut_landmarks(self.histories, self.which)
        return describe_moments(self.tracked, self.histories, table, self.edges)


class PooledEngine(Protocol):
    """An engine of the pool; ``record`` is the dataclass of what ``fit`` returns, as saved."""

    @property
    def name(self) -> str:
        """What it is called: ``forecast(engine=name)``."""

    @property
    def record(self) -> type:
        """Dataclass of what ``fit`` returns, as it stands in a saved model."""

    def fit(self, past: Past) -> Any:
        """Return what is learnt from the landmarks; ``FitError`` where it can't be."""

    def n_rungs(self, learnt: Any) -> int:
        """Return how many rungs the ladder learnt on has."""

    def at_landmarks(self, learnt: Any, past: Past, chosen: Ints) -> Array:
        """Return chances of having cleared by weeks 0, 1, ..., H at some landmarks, (T, H + 1).

        Nothing that came of an athlete may have taught what is said of that athlete.
        """

    def now(self, learnt: Any, present: Present) -> Array:
        """Return chances of having cleared by days 0, 1, ..., D, (T, D + 1)."""

    def prior_weight(self, n_clearings: int) -> float:
        """Return the prior log of its weight beside the first engine's; 0 is as much as that."""


class _Growth:
    """Level and gain of every spell, simulated until it clears; every engine may use its model."""

    name = "growth"
    record = GrowthModel

    def fit(self, past: Past) -> GrowthModel:
        return past.growth

    def n_rungs(self, learnt: GrowthModel) -> int:
        return learnt.fit.n_rungs

    def at_landmarks(self, learnt: GrowthModel, past: Past, chosen: Ints) -> Array:
        """Filtered states know nothing of what came later; its few constants count as known."""
        table, histories = past.moments.table, past.histories
        at, spell = (table[name].to_numpy()[chosen] for name in ("session", "spell"))
        passage = forecast_landmarks(
            past.tracked,
            past.moments.place[chosen],
            past.moments.features["wait"].to_numpy()[chosen] * 7.0,
            confirm_sessions(histories, histories.spells["rung_index"].to_numpy()[spell]),
            histories.sessions["run"].to_numpy(dtype=np.int64)[at],
            Simulation(7 * past.horizon_weeks, PATHS, DRAWS, past.seed),
        )
        return passage.by_day[:, ::7]

    def now(self, learnt: GrowthModel, present: Present) -> Array:
        return present.passage

    def prior_weight(self, n_clearings: int) -> float:
        return 0.0


@dataclass(frozen=True, slots=True)
class SurvivalHazards:
    """Both hazards, and the trees' share of the chance."""

    ridge: HazardModel
    trees: TreeHazard
    tree_share: float


class _Survival:
    """Two hazards learnt from landmarks, a ridge and trees."""

    name = "survival"
    record = SurvivalHazards

    def fit(self, past: Past) -> SurvivalHazards:
        moments = past.moments
        trees = fit_tree_hazard(
            past.histories, moments.table, moments.features, moments.outlook, past.edges
        )
        clearings = int(past.histories.spells["cleared_on"].notna().sum())
        share = clearings / (clearings + TREE_CLEARINGS) if trees.folds else 0.0
        if past.like and np.array_equal(past.like.places, np.arange(past.like.n_rungs)):
            lent: SurvivalHazards = past.like.learnt[self.name]
            if LENT_TREES * lent.tree_share > share:
                trees, share = lent.trees, LENT_TREES * lent.tree_share
        return SurvivalHazards(_ridge(past, np.arange(len(moments.table))), trees, share)

    def n_rungs(self, learnt: SurvivalHazards) -> int:
        return learnt.ridge.n_rungs

    def at_landmarks(self, learnt: SurvivalHazards, past: Past, chosen: Ints) -> Array:
        """From hazards that never saw the landmark's athlete."""
        asked, athlete = past.moments.at(chosen), past.athlete
        folds = GroupKFold(n_splits=min(FOLDS, len(np.unique(athlete))))
        ridge = np.empty((len(chosen), len(past.edges)))
        for train, test in folds.split(past.moments.outlook, groups=athlete):
            rows = np.isin(chosen, test)
            ridge[rows] = predict_hazard(
                _ridge(past, train), asked.features[rows], asked.outlook[rows], past.edges
            )
        both = _with_trees(learnt, ridge, past, asked, athlete[chosen])
        return spread_over_days(both, past.edges, 7 * past.horizon_weeks)[:, ::7]

    def now(self, learnt: SurvivalHazards, present: Present) -> Array:
        moments, edges = present.moments, present.edges
        ridge = predict_hazard(learnt.ridge, moments.features, moments.outlook, edges)
        both = _with_trees(learnt, ridge, present, moments)
        return spread_over_days(both, edges, 7 * present.horizon_weeks)

    def prior_weight(self, n_clearings: int) -> float:
        """One half of two with many clearings: a hazard hardly ever seen has little to say."""
        share = 0.5 * n_clearings / (n_clearings + FEW_CLEARINGS)
        return float(logit(max(share, LEAST_SHARE)))


def _ridge(past: Past, rows: Ints) -> HazardModel:
    """Fit to some landmarks, to evenly chosen ones where they are very many."""
    step = max(1, round(len(rows) / MAX_LANDMARKS))
    used = past.moments.at(rows[::step])
    table = used.table.assign(weight=np.minimum(step * used.table["weight"], 1.0))
    rungs = len(past.histories.ladder.rungs)
    like = None
    if past.like is not None:
        like = on_ladder(past.like.learnt[_Survival.name].ridge, past.like.places)
    return fit_hazard(used.features, used.outlook, table, past.edges, rungs, like)


def _with_trees(
    learnt: SurvivalHazards, ridge: Array, asked: Past | Present, moments: Moments,
    left_out: Ints | None = None,
) -> Array:  # fmt: skip
    """Mix chances at stretch ends, (T, B + 1), with those of the trees."""
    if not learnt.trees.folds:
        return ridge
    trees = predict_tree_hazard(
        learnt.trees, asked.histories, moments.table, moments.features, moments.outlook,
        asked.edges, left_out=left_out,
    )  # fmt: skip
    return learnt.tree_share * trees + (1.0 - learnt.tree_share) * ridge


GROWTH = _Growth()
POOLED: tuple[PooledEngine, ...] = (GROWTH, _Survival())
"""Every engine of the pool; the first stands where no other does, and its weight is 0."""
