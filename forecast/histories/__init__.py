"""Sets to sessions to spells: clearing, lapse, late entry and attendance."""

from forecast.histories.histories import Histories, build_histories, cut_day
from forecast.histories.sessions import day_number
from forecast.histories.spells import CLEARED, DEFAULT_LAPSE_WEEKS, LAPSED, OPEN, PASSED_OVER

__all__ = [
    "CLEARED",
    "DEFAULT_LAPSE_WEEKS",
    "LAPSED",
    "OPEN",
    "PASSED_OVER",
    "Histories",
    "build_histories",
    "cut_day",
    "day_number",
]
