"""Sets to sessions to spells: clearing, lapse, late entry and attendance."""

from forecast.histories.attendance import (
    Absences,
    CohortRhythm,
    absence_law,
    analogues,
    cohort_rhythm,
    first_gap_table,
    gap_table,
    longer_than,
    seen_shares,
    share_longer,
    training_day_gaps,
    weeks_until_back,
)
from forecast.histories.histories import (
    CLEARED,
    LAPSED,
    OPEN,
    PASSED_OVER,
    Histories,
    build_histories,
    build_sessions,
    cut_day,
    day_number,
    recent_pain,
    running_count,
)
from forecast.histories.rules import (
    ABSENCE_DAYS,
    DEFAULT_LAPSE_WEEKS,
    MEMORY,
    PAIN,
    PRIOR_GAPS,
    TABLE_SIZE,
)

__all__ = [
    "ABSENCE_DAYS", "CLEARED", "DEFAULT_LAPSE_WEEKS", "LAPSED", "MEMORY", "OPEN", "PAIN",
    "PASSED_OVER", "PRIOR_GAPS", "TABLE_SIZE", "Absences", "CohortRhythm", "Histories",
    "absence_law", "analogues", "build_histories", "build_sessions", "cohort_rhythm", "cut_day",
    "day_number", "first_gap_table", "gap_table", "longer_than", "recent_pain", "running_count",
    "seen_shares", "share_longer", "training_day_gaps", "weeks_until_back",
]  # fmt: skip
