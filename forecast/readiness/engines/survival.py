"""The survival engine in the pool: a hazard of clearing, learnt from landmarks."""

from __future__ import annotations

import numpy as np
from scipy.special import logit
from sklearn.model_selection import GroupKFold

from forecast.readiness.engines.interface import Past, Present
from forecast.survival import HazardModel, fit_hazard, predict_hazard, spread_over_days
from forecast.types import Array, Ints

FOLDS = 5
FEW_CLEARINGS = 10.0
LEAST_SHARE = 0.05
"""With this many clearings the survival engine starts from a quarter of the pool; never from less
than the least share (judgement)."""


class _Survival:
    name = "survival"
    record = HazardModel

    def fit(self, past: Past) -> HazardModel:
        moments, n_rungs = past.moments, len(past.histories.ladder.rungs)
        return fit_hazard(moments.features, moments.outlook, moments.table, past.edges, n_rungs)

    def at_landmarks(self, past: Past, chosen: Ints) -> Array:
        """From a hazard that never saw the landmark's athlete."""
        moments, athlete = past.moments, past.athlete
        folds = GroupKFold(n_splits=min(FOLDS, len(np.unique(athlete))))
        result = np.empty_like(moments.outlook)
        for train, test in folds.split(moments.outlook, groups=athlete):
            model = fit_hazard(
                moments.features.iloc[train], moments.outlook[train], moments.table.iloc[train],
                past.edges, len(past.histories.ladder.rungs),
            )  # fmt: skip
            result[test] = predict_hazard(
                model, moments.features.iloc[test], moments.outlook[test], past.edges
            )
        return spread_over_days(result[chosen], past.edges, 7 * past.horizon_weeks)[:, ::7]

    def now(self, learnt: HazardModel, present: Present) -> Array:
        moments, edges = present.moments, present.edges
        by_edge = predict_hazard(learnt, moments.features, moments.outlook, edges)
        return spread_over_days(by_edge, edges, 7 * present.horizon_weeks)

    def prior_weight(self, n_clearings: int | None) -> float:
        """One half of two with many clearings: a hazard hardly ever seen has little to say."""
        if n_clearings is None:
            return 0.0
        share = 0.5 * n_clearings / (n_clearings + FEW_CLEARINGS)
        return float(logit(max(share, LEAST_SHARE)))


SURVIVAL = _Survival()
