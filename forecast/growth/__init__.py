"""The growth engine: sets as intervals, a state space, crossed pooling, first passage."""

from forecast.growth.engine import (
    GrowthForecast,
    GrowthModel,
    Tracked,
    fit_growth_model,
    forecast_landmarks,
    forecast_open,
    forecast_untried,
    level_and_gain,
    outlook,
    pace_effects,
    states_table,
    track,
)

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
