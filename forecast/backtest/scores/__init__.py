"""Scores of forecasts on plain arrays: each states its formula, its source and its unit."""

from forecast.backtest.scores.calibration import (
    Coverage,
    DCalibration,
    coverage,
    d_calibration,
    pit,
)
from forecast.backtest.scores.curve import (
    LOG_SCORE_FLOOR,
    brier_at,
    crps_from_curve,
    curve_at,
    log_score,
    weeks_at,
)
from forecast.backtest.scores.discrimination import auc_at, uno_c
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
    "crps_from_curve",
    "curve_at",
    "d_calibration",
    "log_score",
    "nobody_lost",
    "pit",
    "uno_c",
    "weeks_at",
    "weeks_followed",
]
