"""Engines pooled into one forecast, and the row of every open rung."""

from forecast.readiness.engines import POOLED
from forecast.readiness.lapse import FEATURES, chance_flat, design_of
from forecast.readiness.pool import Engines, train_engines
from forecast.readiness.rows import (
    CURVE_COLUMNS,
    curve_table,
    record_of,
    rows_end,
    rungs_behind,
    time_columns,
    untried_rungs,
    usual_value,
)
from forecast.readiness.rules import FLAT_GAIN, LAST_SESSIONS
from forecast.readiness.storage import moved_back, read_model, save_model
from forecast.readiness.view import ENGINES, Engine, Fitted, LogView, Progress, as_view

__all__ = [
    "CURVE_COLUMNS", "ENGINES", "FEATURES", "FLAT_GAIN", "LAST_SESSIONS", "POOLED", "Engine",
    "Engines", "Fitted", "LogView", "Progress", "as_view", "chance_flat", "curve_table",
    "design_of", "moved_back", "read_model", "record_of", "rows_end", "rungs_behind",
    "save_model", "time_columns", "train_engines", "untried_rungs", "usual_value",
]  # fmt: skip
