"""Every chart: takes a table, draws, computes nothing."""

from forecast.charts.chance import chance_by_week
from forecast.charts.cohort import (
    growth_fits,
    lapse,
    pace_and_difficulty,
    time_to_clear,
    waits_by_rung,
)
from forecast.charts.dates import say_date, say_day
from forecast.charts.offline import in_notebook, packed_script
from forecast.charts.picker import pick_a_rung
from forecast.charts.progress import progress
from forecast.charts.small import small_line
from forecast.charts.timeline import plateau_timeline
from forecast.charts.trust import calibration, reliability, scores
from forecast.charts.waiting import ROW, ladder_ahead, waiting_list

__all__ = [
    "ROW",
    "calibration",
    "chance_by_week",
    "growth_fits",
    "in_notebook",
    "ladder_ahead",
    "lapse",
    "pace_and_difficulty",
    "packed_script",
    "pick_a_rung",
    "plateau_timeline",
    "progress",
    "reliability",
    "say_date",
    "say_day",
    "scores",
    "small_line",
    "time_to_clear",
    "waiting_list",
    "waits_by_rung",
]
