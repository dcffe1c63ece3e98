"""The growth engine: sets as intervals, a state space, crossed pooling, first passage."""

from forecast.growth.athletes import loose_information, priors_from_others
from forecast.growth.clock import Clock
from forecast.growth.constants import PRIORS, GrowthConstants
from forecast.growth.draws import constants_draws
from forecast.growth.dynamics import Dynamics
from forecast.growth.engine import GrowthModel, Tracked, fit_growth_model, track
from forecast.growth.filtering import Filtered, forward_pass, lost_levels, propagate, stretches
from forecast.growth.fitting import GrowthFit
from forecast.growth.forecasting import (
    GrowthForecast,
    forecast_landmarks,
    forecast_open,
    forecast_untried,
)
from forecast.growth.habits import (
    CohortHabits,
    Habits,
    athlete_habits,
    clip_level,
    cohort_habits,
    untried_habits,
)
from forecast.growth.information import spell_information
from forecast.growth.intervals import pass_ratio, rounding_units
from forecast.growth.kernels import Luck, PathLaws, Standing, Tables, carry_spells, climb_paths
from forecast.growth.lately import (
    BREAK_SD,
    CUT,
    SPAN,
    Measure,
    Motion,
    Sessions,
    Sites,
    measure_gain,
    motion_of,
    session_sites,
)
from forecast.growth.panel import (
    GRACE_WEEKS,
    MEASURES,
    Panel,
    build_panel,
    take_spells,
)
from forecast.growth.passage import Simulation, mirrored
from forecast.growth.pooling import Pooled, centred
from forecast.growth.scale import log_slope, to_latent, to_log, to_ratio
from forecast.growth.seen import chance_met, gain_ahead
from forecast.growth.session import draw_form
from forecast.growth.targets import meeting_shift, recent_gaps
from forecast.growth.views import level_and_gain, outlook, pace_effects, states_table

__all__ = [
    "BREAK_SD",
    "CUT",
    "GRACE_WEEKS",
    "MEASURES",
    "PRIORS",
    "SPAN",
    "Clock",
    "CohortHabits",
    "Dynamics",
    "Filtered",
    "GrowthConstants",
    "GrowthFit",
    "GrowthForecast",
    "GrowthModel",
    "Habits",
    "Luck",
    "Measure",
    "Motion",
    "Panel",
    "PathLaws",
    "Pooled",
    "Sessions",
    "Simulation",
    "Sites",
    "Standing",
    "Tables",
    "Tracked",
    "athlete_habits",
    "build_panel",
    "carry_spells",
    "centred",
    "chance_met",
    "climb_paths",
    "clip_level",
    "cohort_habits",
    "constants_draws",
    "draw_form",
    "fit_growth_model",
    "forecast_landmarks",
    "forecast_open",
    "forecast_untried",
    "forward_pass",
    "gain_ahead",
    "level_and_gain",
    "log_slope",
    "loose_information",
    "lost_levels",
    "measure_gain",
    "meeting_shift",
    "mirrored",
    "motion_of",
    "outlook",
    "pace_effects",
    "pass_ratio",
    "priors_from_others",
    "propagate",
    "recent_gaps",
    "rounding_units",
    "session_sites",
    "spell_information",
    "states_table",
    "stretches",
    "take_spells",
    "to_latent",
    "to_log",
    "to_ratio",
    "track",
    "untried_habits",
]
