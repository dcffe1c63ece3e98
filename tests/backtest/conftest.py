"""Small logs made by hand, and one small invented cohort."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import REJECTED_COLUMNS, SET_COLUMNS, TrainingLog
from forecast.simulate import simulate_cohort

DAY0 = pd.Timestamp("2025-01-06")


@pytest.fixture
def ladder():
    return Ladder(
        "Two rungs",
        (
            Rung("hang", "Hang", "base", Criterion("seconds", 10.0)),
            Rung("pull", "Pull", "base", Criterion("reps", 5.0, confirm_sessions=2)),
        ),
    )


@pytest.fixture
def make_log(ladder):
    """Return a maker of logs from (athlete, rung, day, value) rows, all clean and unassisted."""

    def make(rows):
        frame = pd.DataFrame(rows, columns=["athlete", "rung", "day", "value"])
        sets = pd.DataFrame(
            {
                "athlete": frame["athlete"].astype("str"),
                "date": DAY0 + pd.to_timedelta(frame["day"], unit="D"),
                "rung": frame["rung"].astype("str"),
                "set": 1,
                "value": frame["value"].astype(float),
                "clean": True,
                "assisted": False,
                "assist": "none",
                "load_kg": np.nan,
                "stopped": "unknown",
                "effort": np.nan,
                "pain": np.nan,
                "note": "",
                "file": "made by hand",
                "row": np.arange(2, len(frame) + 2),
            }
        ).astype(SET_COLUMNS)
        sets = sets.sort_values(["athlete", "date", "rung", "set"]).reset_index(drop=True)
        return TrainingLog(
            sets=sets,
            rejected=pd.DataFrame({name: [] for name in REJECTED_COLUMNS}),
            warnings=(),
            roster=pd.DataFrame(index=pd.Index([], name="athlete", dtype="str")),
            ladder=ladder,
            rows_in=len(sets),
        )

    return make


@pytest.fixture(scope="session")
def cohort():
    """24 invented athletes over 80 weeks."""
    return simulate_cohort("steady", 24, seed=5, weeks=60, follow_up=20)
