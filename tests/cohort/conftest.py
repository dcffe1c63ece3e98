"""Logs made by hand for the analyst's questions, and a roster for the small cohort."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import REJECTED_COLUMNS, SET_COLUMNS, TrainingLog

DAY0 = pd.Timestamp("2025-01-06")


@pytest.fixture
def chain():
    """Three holds of 10 s, each needing the one before."""
    return Ladder(
        "Three holds",
        tuple(
            Rung(key, f"Hold {key}", "holds", Criterion("seconds", 10.0), needs=needs)
            for key, needs in (("one", ()), ("two", ("one",)), ("three", ("two",)))
        ),
    )


@pytest.fixture
def make_log(chain):
    """Return a maker of logs from (athlete, rung, day, value) rows, all clean and unassisted.

    A bystander trains on day 0, so that nobody else is under way when the log begins.
    """

    def make(rows, roster=None, bystander=True, **columns):
        if bystander:
            rows = [("zz bystander", "one", 0, 2.0), *rows]
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
                "stopped": columns.get("stopped", "failed"),
                "effort": np.nan,
                "pain": np.nan,
                "note": "",
                "file": "made by hand",
                "row": np.arange(2, len(frame) + 2),
            }
        ).astype(SET_COLUMNS)
        sets = sets.sort_values(["athlete", "date", "rung", "set"]).reset_index(drop=True)
        people = pd.DataFrame(index=pd.Index([], name="athlete", dtype="str"))
        return TrainingLog(
            sets=sets,
            rejected=pd.DataFrame({name: [] for name in REJECTED_COLUMNS}),
            warnings=(),
            roster=people if roster is None else roster,
            ladder=chain,
            rows_in=len(sets),
        )

    return make


@pytest.fixture
def climbs(make_log):
    """Return a maker of athletes who clear rung one after given weeks, one session a week."""

    def make(weeks, start=30, roster=None):
        rows = []
        for number, count in enumerate(weeks):
            name = f"a{number:02d}"
            rows += [(name, "one", start + 7 * w, 5.0) for w in range(count)]
            rows.append((name, "one", start + 7 * count, 12.0))
        return make_log(rows, roster=roster)

    return make


@pytest.fixture(scope="session")
def rostered_log(small_log):
    """The small cohort with a made-up coach and age for each athlete."""
    names = small_log.athletes
    roster = pd.DataFrame(
        {
            "coach": ["Ada", "Bo"] * (len(names) // 2) + ["Ada"] * (len(names) % 2),
            "age": 20.0 + np.arange(len(names)),
        },
        index=pd.Index(names, name="athlete"),
    )
    return dataclasses.replace(small_log, roster=roster)
