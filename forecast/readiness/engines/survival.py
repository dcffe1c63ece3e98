"""The survival engine in the pool: two hazards learnt from landmarks, a ridge and trees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logit
from sklearn.model_selection import GroupKFold

from forecast.readiness.engines.interface import Moments, Past, Present
from forecast.survival import (
    HazardModel,
    TreeHazard,
    fit_hazard,
    fit_tree_hazard,
    predict_hazard,
    predict_tree_hazard,
    spread_over_days,
)
from forecast.types import Array, Ints

FOLDS = 4
MAX_LANDMARKS = 6000
"""More landmarks than these teach the ridge's few weights nothing, at the price of time."""
FEW_CLEARINGS, LEAST_SHARE = 10.0, 0.05
"""With this many clearings the survival engine starts from a quarter of the pool; never from less
than the least share (judgement)."""
TREE_CLEARINGS = 100.0
"""With this many clearings the trees are half of the engine; see docs/method/what-was-tried.md."""


@dataclass(frozen=True, slots=True)
class SurvivalHazards:
    """Both hazards, and the trees' share of the chance."""

    ridge: HazardModel
    trees: TreeHazard
    tree_share: float

    @property
    def n_rungs(self) -> int:
        """Rungs of the ladder learnt on."""
        return self.ridge.n_rungs


class _Survival:
    name = "survival"
    record = SurvivalHazards

    def fit(self, past: Past) -> SurvivalHazards:
        moments = past.moments
        trees = fit_tree_hazard(
            past.histories, moments.table, moments.features, moments.outlook, past.edges
        )
        clearings = int(past.histories.spells["cleared_on"].notna().sum())
        share = clearings / (clearings + TREE_CLEARINGS) if trees.folds else 0.0
        return SurvivalHazards(_ridge(past, np.arange(len(moments.table))), trees, share)

    def at_landmarks(self, learnt: SurvivalHazards, past: Past, chosen: Ints) -> Array:
        """From hazards that never saw the landmark's athlete."""
        moments, athlete = past.moments, past.athlete
        folds = GroupKFold(n_splits=min(FOLDS, len(np.unique(athlete))))
        asked = Moments(
            moments.table.iloc[chosen], moments.features.iloc[chosen], moments.outlook[chosen],
            moments.place[chosen],
        )  # fmt: skip
        ridge = np.empty((len(chosen), len(past.edges)))
        for train, test in folds.split(moments.outlook, groups=athlete):
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
    moments = past.moments
    step = max(1, round(len(rows) / MAX_LANDMARKS))
    rows = rows[::step]
    table = moments.table.iloc[rows]
    table = table.assign(weight=np.minimum(step * table["weight"], 1.0))
    return fit_hazard(
        moments.features.iloc[rows], moments.outlook[rows], table, past.edges,
        len(past.histories.ladder.rungs),
    )  # fmt: skip


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


SURVIVAL = _Survival()
