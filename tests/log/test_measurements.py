"""Tables of repeated measurements as logs."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.errors import LogError
from forecast.histories import build_histories
from forecast.log import measurement_log

TABLE = pd.DataFrame(
    {"pig": [7, 7, 7, 3, 3], "week": [2, 3, 4, 2, 4], "kg": [40.0, 60.5, 81.0, 50.0, None]}
)
COLUMNS = {"unit": "pig", "time": "week", "value": "kg", "threshold": 80.0, "days_per_time": 7.0}


def test_each_unit_is_an_athlete_and_each_measurement_a_session():
    log = measurement_log(TABLE, stagger_days=3, **COLUMNS)
    assert log.sets["athlete"].tolist() == ["pig 3", "pig 7", "pig 7", "pig 7"]
    days = (log.sets["date"] - pd.Timestamp("2024-01-01")).dt.days.tolist()
    assert days == [3, 0, 7, 14]  # the second unit of the table begins three days later
    assert log.rejected.empty
    spells = build_histories(log).spells.set_index("athlete")
    assert spells.loc["pig 7", "outcome"] == "cleared"
    assert spells.loc["pig 7", "cleared_on"] == pd.Timestamp("2024-01-15")


def test_what_can_not_be_a_log_is_said():
    with pytest.raises(LogError, match="no column weight; it has pig, week, kg"):
        measurement_log(TABLE, **{**COLUMNS, "value": "weight"})
    with pytest.raises(LogError, match="above 0"):
        measurement_log(TABLE, **{**COLUMNS, "threshold": 0.0})
