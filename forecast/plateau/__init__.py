"""Flat or not: a watch over every open rung with a stated rate of false alarms."""

from forecast.plateau.rules import PlateauRules, learn_plateaus, limits_for, rules_from
from forecast.plateau.state import state_of
from forecast.plateau.switching import Switching
from forecast.plateau.table import (
    COLUMNS,
    DEFAULT_FALSE_ALARMS,
    WATCH_COLUMNS,
    plateaus,
    urgent_first,
    watch_list,
)
from forecast.plateau.traces import Traces, traces_of
from forecast.plateau.watch import Watched, watch
from forecast.plateau.words import PAUSED, STATES, day_words

__all__ = [
    "COLUMNS",
    "DEFAULT_FALSE_ALARMS",
    "PAUSED",
    "STATES",
    "WATCH_COLUMNS",
    "PlateauRules",
    "Switching",
    "Traces",
    "Watched",
    "day_words",
    "learn_plateaus",
    "limits_for",
    "plateaus",
    "rules_from",
    "state_of",
    "traces_of",
    "urgent_first",
    "watch",
    "watch_list",
]
