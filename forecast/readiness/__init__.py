"""Two engines pooled into one forecast for every open rung."""

from forecast.readiness.forecaster import ENGINES, ReadinessForecaster, load_model
from forecast.readiness.result import CURVE_COLUMNS, SUMMARY_COLUMNS, ReadinessForecast

__all__ = [
    "CURVE_COLUMNS",
    "ENGINES",
    "SUMMARY_COLUMNS",
    "ReadinessForecast",
    "ReadinessForecaster",
    "load_model",
]
