"""Engines pooled into one forecast, and the row of every open rung."""

from forecast.readiness.facts import LAST_SESSIONS, comparable_counts, usual_value
from forecast.readiness.lapse import FEATURES, FLAT_GAIN, chance_flat, design_of
from forecast.readiness.moving import moved_back
from forecast.readiness.open_rungs import rungs_behind, untried_rungs
from forecast.readiness.rows import record_of
from forecast.readiness.storage import read_model, save_model
from forecast.readiness.times import CURVE_COLUMNS, POINTS, curve_table, time_columns, weeks_at
from forecast.readiness.training import Engines, train_engines
from forecast.readiness.valid import rows_end
from forecast.readiness.view import ENGINES, Engine, Fitted, LogView, Progress, as_view

__all__ = [
    "CURVE_COLUMNS",
    "ENGINES",
    "FEATURES",
    "FLAT_GAIN",
    "LAST_SESSIONS",
    "POINTS",
    "Engine",
    "Engines",
    "Fitted",
    "LogView",
    "Progress",
    "as_view",
    "chance_flat",
    "comparable_counts",
    "curve_table",
    "design_of",
    "moved_back",
    "read_model",
    "record_of",
    "rows_end",
    "rungs_behind",
    "save_model",
    "time_columns",
    "train_engines",
    "untried_rungs",
    "usual_value",
    "weeks_at",
]
