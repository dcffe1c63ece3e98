"""Sets to sessions to spells: clearing, lapse, late entry and attendance."""

from forecast.histories.absences import ABSENCE_DAYS, Absences, absence_law, weeks_until_back
from forecast.histories.attendance import (
    MEMORY,
    TABLE_SIZE,
    CohortRhythm,
    cohort_rhythm,
    first_gap_table,
    gap_table,
    share_longer,
)
from forecast.histories.histories import Histories, build_histories, cut_day
from forecast.histories.pain import PAIN, PAIN_WEEKS, recent_pain
from forecast.histories.sessions import build_sessions, day_number, running_count
from forecast.histories.spells import CLEARED, DEFAULT_LAPSE_WEEKS, LAPSED, OPEN, PASSED_OVER

__all__ = [
    "ABSENCE_DAYS",
    "CLEARED",
    "DEFAULT_LAPSE_WEEKS",
    "LAPSED",
    "MEMORY",
    "OPEN",
    "PAIN",
    "PAIN_WEEKS",
    "PASSED_OVER",
    "TABLE_SIZE",
    "Absences",
    "CohortRhythm",
    "Histories",
    "absence_law",
    "build_histories",
    "build_sessions",
    "cohort_rhythm",
    "cut_day",
    "day_number",
    "first_gap_table",
    "gap_table",
    "recent_pain",
    "running_count",
    "share_longer",
    "weeks_until_back",
]
