"""Two engines pooled into one forecast for every open rung."""

from forecast.readiness.facts import comparable_counts
from forecast.readiness.lapse import FEATURES, FLAT_GAIN, chance_flat, design_of
from forecast.readiness.marks import (
    AWAY,
    CLIMBING,
    FLAT,
    LAST_SESSIONS,
    PAIN,
    SLIPPING,
    UNCLEAR,
    marked,
    most_urgent_first,
    with_usual,
)
from forecast.readiness.moving import moved_back
from forecast.readiness.open_rungs import untried_rungs
from forecast.readiness.reasons import UNITS, confidence_words
from forecast.readiness.result import (
    CURVE_COLUMNS,
    DIGITS,
    SUMMARY_COLUMNS,
    ReadinessForecast,
    curve_table,
    time_columns,
)
from forecast.readiness.shown import usual_value
from forecast.readiness.storage import read_model, save_model
from forecast.readiness.training import Engines, train_engines
from forecast.readiness.view import ENGINES, Engine, Fitted, LogView, Progress, as_view

__all__ = [
    "AWAY",
    "CLIMBING",
    "CURVE_COLUMNS",
    "DIGITS",
    "ENGINES",
    "FEATURES",
    "FLAT",
    "FLAT_GAIN",
    "LAST_SESSIONS",
    "PAIN",
    "SLIPPING",
    "SUMMARY_COLUMNS",
    "UNCLEAR",
    "UNITS",
    "Engine",
    "Engines",
    "Fitted",
    "LogView",
    "Progress",
    "ReadinessForecast",
    "as_view",
    "chance_flat",
    "comparable_counts",
    "confidence_words",
    "curve_table",
    "design_of",
    "marked",
    "most_urgent_first",
    "moved_back",
    "read_model",
    "save_model",
    "time_columns",
    "train_engines",
    "untried_rungs",
    "usual_value",
    "with_usual",
]
