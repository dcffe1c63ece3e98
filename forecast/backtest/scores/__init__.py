"""Scores of forecasts on plain arrays: each states its formula, its source and its unit."""

from forecast.backtest.scores.calibration import (
    Coverage,
    DCalibration,
    coverage,
    d_calibration,
    pit,
)
from forecast.backtest.scores.closed_forms import (
    crps_ensemble,
    crps_exponential,
    crps_lognormal,
    crps_normal,
    interval_score,
    pinball,
    weighted_interval_score,
)
from forecast.backtest.scores.curve import (
    LOG_SCORE_FLOOR,
    brier_at,
    crps_from_curve,
    curve_at,
    log_score,
    weeks_at,
)
from forecast.backtest.scores.discrimination import auc_at, harrell_c, uno_c
from forecast.backtest.scores.weights import (
    CensoringCurve,
    censoring_curve,
    nobody_lost,
    weeks_followed,
)

__all__ = [
    "LOG_SCORE_FLOOR",
    "CensoringCurve",
    "Coverage",
    "DCalibration",
    "auc_at",
    "brier_at",
    "censoring_curve",
    "coverage",
    "crps_ensemble",
    "crps_exponential",
    "crps_from_curve",
    "crps_lognormal",
    "crps_normal",
    "curve_at",
    "d_calibration",
    "harrell_c",
    "interval_score",
    "log_score",
    "nobody_lost",
    "pinball",
    "pit",
    "uno_c",
    "weeks_at",
    "weeks_followed",
    "weighted_interval_score",
]
