"""Every chart: takes rows or a result's table, draws, computes nothing."""

from forecast.charts.cohort import (
    calibration,
    growth_fits,
    lapse,
    pace_and_difficulty,
    predictive_check,
    reliability,
    scores,
    time_to_clear,
    waits_by_rung,
)
from forecast.charts.lists import ROW, by_mark, ladder_ahead, waiting_list
from forecast.charts.offline import fragment, in_notebook, packed_script
from forecast.charts.rung import (
    OpenTables,
    chance_by_week,
    edge_weeks,
    pick_a_rung,
    progress,
)

__all__ = [
    "ROW",
    "OpenTables",
    "by_mark",
    "calibration",
    "chance_by_week",
    "edge_weeks",
    "fragment",
    "growth_fits",
    "in_notebook",
    "ladder_ahead",
    "lapse",
    "pace_and_difficulty",
    "packed_script",
    "pick_a_rung",
    "predictive_check",
    "progress",
    "reliability",
    "scores",
    "time_to_clear",
    "waiting_list",
    "waits_by_rung",
]
