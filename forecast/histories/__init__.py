"""Sets to sessions to spells: clearing, lapse, late entry and attendance."""

from forecast.histories.attendance import (
    ABSENCE_DAYS,
    MEMORY,
    TABLE_SIZE,
    Absences,
    CohortRhythm,
    absence_law,
    cohort_rhythm,
    first_gap_table,
    gap_table,
    share_longer,
    weeks_until_back,
)
from forecast.histories.histories import (
    PAIN,
    Histories,
    build_histories,
    cut_day,
    recent_pain,
)
from forecast.histories.spells import (
    CLEARED,
    DEFAULT_LAPSE_WEEKS,
    LAPSED,
    OPEN,
    PASSED_OVER,
    build_sessions,
    day_number,
    running_count,
)

__all__ = [
    "ABSENCE_DAYS",
    "CLEARED",
    "DEFAULT_LAPSE_WEEKS",
    "LAPSED",
    "MEMORY",
    "OPEN",
    "PAIN",
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
