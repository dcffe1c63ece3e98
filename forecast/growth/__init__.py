"""The growth engine: sets as intervals, a state space, crossed pooling, first passage."""

from forecast.growth.engine import GrowthModel, Tracked, fit_growth_model, spells_alone, track
from forecast.growth.forecasting import (
    GrowthForecast,
    forecast_landmarks,
    forecast_open,
    forecast_untried,
)
from forecast.growth.lately import (
    Measure,
    Motion,
    Sessions,
    Sites,
    measure_gain,
    motion_of,
    session_sites,
)
from forecast.growth.seen import chance_met, gain_ahead
from forecast.growth.views import level_and_gain, outlook, pace_effects, states_table

__all__ = [
    "GrowthForecast",
    "GrowthModel",
    "Measure",
    "Motion",
    "Sessions",
    "Sites",
    "Tracked",
    "chance_met",
    "fit_growth_model",
    "forecast_landmarks",
    "forecast_open",
    "forecast_untried",
    "gain_ahead",
    "level_and_gain",
    "measure_gain",
    "motion_of",
    "outlook",
    "pace_effects",
    "session_sites",
    "spells_alone",
    "states_table",
    "track",
]
