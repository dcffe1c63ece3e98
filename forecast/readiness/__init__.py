"""Two engines pooled into one forecast for every open rung."""

from forecast.readiness.facts import comparable_counts
from forecast.readiness.moving import moved_back
from forecast.readiness.result import CURVE_COLUMNS, SUMMARY_COLUMNS, ReadinessForecast
from forecast.readiness.storage import read_model, save_model
from forecast.readiness.training import Engines, train_engines
from forecast.readiness.view import ENGINES, Engine, Fitted, LogView, Progress, as_view

__all__ = [
    "CURVE_COLUMNS",
    "ENGINES",
    "SUMMARY_COLUMNS",
    "Engine",
    "Engines",
    "Fitted",
    "LogView",
    "Progress",
    "ReadinessForecast",
    "as_view",
    "comparable_counts",
    "moved_back",
    "read_model",
    "save_model",
    "train_engines",
]
