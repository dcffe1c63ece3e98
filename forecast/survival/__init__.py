"""How long spells last: curves of the share still open, and what ends them."""

from forecast.survival.curves import (
    IncidenceCurves,
    OutsideCurveError,
    SurvivalCurve,
    cumulative_incidence,
    kaplan_meier,
)
from forecast.survival.hazard import (
    HazardModel,
    fit_hazard,
    fit_ridge_logistic,
    predict_hazard,
    spread_over_days,
    stretch_edges,
)
from forecast.survival.landmarks import cut_landmarks, landmark_features, training_landmarks
from forecast.survival.records import CommonScale, athlete_records, common_scale
from forecast.survival.tree_hazard import (
    TREE_COLUMNS,
    TREE_FOLDS,
    TreeHazard,
    fit_tree_hazard,
    predict_tree_hazard,
)
from forecast.survival.trees import Trees, grow_trees

__all__ = [
    "TREE_COLUMNS",
    "TREE_FOLDS",
    "CommonScale",
    "HazardModel",
    "IncidenceCurves",
    "OutsideCurveError",
    "SurvivalCurve",
    "TreeHazard",
    "Trees",
    "athlete_records",
    "common_scale",
    "cumulative_incidence",
    "cut_landmarks",
    "fit_hazard",
    "fit_ridge_logistic",
    "fit_tree_hazard",
    "grow_trees",
    "kaplan_meier",
    "landmark_features",
    "predict_hazard",
    "predict_tree_hazard",
    "spread_over_days",
    "stretch_edges",
    "training_landmarks",
]
