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
    at_risk,
    fit_hazard,
    fit_ridge_logistic,
    offset_hazard,
    on_ladder,
    predict_hazard,
    spread_over_days,
    stretch_edges,
)
from forecast.survival.landmarks import (
    CommonScale,
    athlete_records,
    common_scale,
    cut_landmarks,
    landmark_features,
    training_landmarks,
)
from forecast.survival.trees import (
    TREE_COLUMNS,
    TREE_FOLDS,
    TreeHazard,
    Trees,
    fit_tree_hazard,
    grow_trees,
    predict_tree_hazard,
)

__all__ = [
    "TREE_COLUMNS", "TREE_FOLDS", "CommonScale", "HazardModel", "IncidenceCurves",
    "OutsideCurveError", "SurvivalCurve", "TreeHazard", "Trees", "at_risk", "athlete_records",
    "common_scale", "cumulative_incidence", "cut_landmarks", "fit_hazard", "fit_ridge_logistic",
    "fit_tree_hazard", "grow_trees", "kaplan_meier", "landmark_features", "offset_hazard",
    "on_ladder", "predict_hazard", "predict_tree_hazard", "spread_over_days", "stretch_edges",
    "training_landmarks",
]  # fmt: skip
