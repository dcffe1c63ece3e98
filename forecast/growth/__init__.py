"""The growth engine: sets as intervals, a state space, crossed pooling, first passage."""

from forecast.growth.engine import GrowthModel, Tracked, fit_growth_model, track
from forecast.growth.forecasting import (
    GrowthForecast,
    forecast_landmarks,
    forecast_open,
    forecast_untried,
)
from forecast.growth.views import level_and_gain, outlook, pace_effects, states_table

__all__ = [
    "GrowthForecast",
    "GrowthModel",
    "Tracked",
    "fit_growth_model",
    "forecast_landmarks",
    "forecast_open",
    "forecast_untried",
    "level_and_gain",
    "outlook",
    "pace_effects",
    "states_table",
    "track",
]
