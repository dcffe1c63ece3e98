"""Flat or not: the verdict on a spell, with a stated rate of false alarms."""

from forecast.plateau.alarms import MIN_SESSIONS, MIN_WEEKS
from forecast.plateau.rules import (
    DEFAULT_FALSE_ALARMS,
    PlateauRules,
    learn_plateaus,
    limits_for,
    rules_from,
)
from forecast.plateau.switching import Switching
from forecast.plateau.table import VERDICT_COLUMNS, verdicts
from forecast.plateau.traces import Traces, traces_of
from forecast.plateau.watch import Watched, watch

__all__ = [
    "DEFAULT_FALSE_ALARMS",
    "MIN_SESSIONS",
    "MIN_WEEKS",
    "VERDICT_COLUMNS",
    "PlateauRules",
    "Switching",
    "Traces",
    "Watched",
    "learn_plateaus",
    "limits_for",
    "rules_from",
    "traces_of",
    "verdicts",
    "watch",
]
