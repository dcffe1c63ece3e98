"""The growth engine: sets as intervals, a state space, crossed pooling, first passage."""

from forecast.growth.engine import GrowthModel, Tracked, fit_growth_model, track
from forecast.growth.evidence import Pooled
from forecast.growth.fitting import PRIORS, GrowthConstants, GrowthFit
from forecast.growth.forecasting import (
    GrowthForecast,
    SharedDraws,
    draw_shared,
    forecast_landmarks,
    forecast_open,
    forecast_return,
    forecast_untried,
    targets_at,
    trained_lately,
    usual_gaps,
)
from forecast.growth.motion import Clock, propagate
from forecast.growth.panel import (
    log_slope,
    rung_marks,
    to_latent,
    to_log,
    to_ratio,
    usual_grace,
)
from forecast.growth.passage import (
    Climb,
    CohortHabits,
    Coming,
    Habits,
    Simulation,
    block_of,
    clip_level,
    cohort_habits,
    path_laws,
    simulate_days,
    untried_habits,
)

__all__ = [
    "PRIORS",
    "Climb",
    "Clock",
    "CohortHabits",
    "Coming",
    "GrowthConstants",
    "GrowthFit",
    "GrowthForecast",
    "GrowthModel",
    "Habits",
    "Pooled",
    "SharedDraws",
    "Simulation",
    "Tracked",
    "block_of",
    "clip_level",
    "cohort_habits",
    "draw_shared",
    "fit_growth_model",
    "forecast_landmarks",
    "forecast_open",
    "forecast_return",
    "forecast_untried",
    "log_slope",
    "path_laws",
    "propagate",
    "rung_marks",
    "simulate_days",
    "targets_at",
    "to_latent",
    "to_log",
    "to_ratio",
    "track",
    "trained_lately",
    "untried_habits",
    "usual_gaps",
    "usual_grace",
]
