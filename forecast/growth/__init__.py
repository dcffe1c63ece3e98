"""The growth engine: sets as intervals, a state space, crossed pooling, first passage."""

from forecast.growth.engine import GrowthModel, Tracked, fit_growth_model, track
from forecast.growth.evidence import Pooled
from forecast.growth.fitting import GrowthConstants, GrowthFit
from forecast.growth.forecasting import (
    GrowthForecast,
    SharedDraws,
    Walker,
    forecast_landmarks,
    forecast_open,
    forecast_return,
    forecast_untried,
    usual_days,
    walker_of,
)
from forecast.growth.judgement import PRIORS
from forecast.growth.motion import propagate
from forecast.growth.panel import log_slope, to_latent, to_log, to_ratio
from forecast.growth.passage import (
    CohortHabits,
    Coming,
    Simulation,
    clip_level,
    cohort_habits,
    simulate_days,
)

__all__ = [
    "PRIORS", "CohortHabits", "Coming", "GrowthConstants", "GrowthFit", "GrowthForecast",
    "GrowthModel", "Pooled", "SharedDraws", "Simulation", "Tracked", "Walker", "clip_level",
    "cohort_habits", "fit_growth_model", "forecast_landmarks", "forecast_open", "forecast_return",
    "forecast_untried", "log_slope", "propagate", "simulate_days", "to_latent", "to_log",
    "to_ratio", "track", "usual_days", "walker_of",
]  # fmt: skip
