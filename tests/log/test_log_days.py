"""Days given by hand: read in one way or not at all; and what is not a log is refused."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from forecast.errors import HistoryError, LogError
from forecast.histories import build_histories
from forecast.log import as_day, read_log

DAY = pd.Timestamp("2026-04-20")


@pytest.mark.parametrize(
    "when",
    [
        "2026-04-20",
        " 2026-04-20T18:30 ",
        "20260420",
        dt.date(2026, 4, 20),
        dt.datetime(2026, 4, 20, 23, 59),
        np.datetime64("2026-04-20"),
        DAY,
        pd.Timestamp("2026-04-20 01:00", tz="Asia/Tokyo"),
    ],
    ids=repr,
)
def test_a_day_is_its_midnight(when):
    assert as_day(when) == DAY
    assert as_day(when).tzinfo is None
    assert as_day(when).unit == "ns"


@pytest.mark.parametrize(
    "when",
    ["soon", "", "03/04/2026", "2026-04", "20.4.2026", 5, 20260420, None, np.nan, pd.NaT, True,
     np.datetime64("NaT"), ["2026-04-20"]],
    ids=repr,
)  # fmt: skip
def test_what_is_no_day_or_could_be_two_is_refused(when):
    with pytest.raises(HistoryError, match=r"as_of = .* is not a date; write it as 2026-05-01"):
        as_day(when, "as_of", HistoryError)


@pytest.mark.parametrize("when", ["0026-04-20", "9999-12-31", np.datetime64("30000-01-01")])
def test_a_slip_in_the_year_is_refused(when):
    with pytest.raises(LogError, match="1950 to 2100"):
        as_day(when, "today", LogError)


@pytest.fixture
def frame():
    return pd.DataFrame(
        {"athlete": ["Ann"], "date": ["2026-04-13"], "rung": ["press"], "value": [5]}
    )


def test_cut_dates_are_never_guessed(frame, ladder):
    log = read_log(frame, ladder)
    with pytest.raises(LogError, match="is not a date"):
        log.before("05/06/2026")
    with pytest.raises(HistoryError, match="is not a date"):
        build_histories(log, "05/06/2026")
    with pytest.raises(LogError, match="today = 'soon'"):
        read_log(frame, ladder, today="soon")


@pytest.mark.parametrize("weeks", [0, -1, np.nan, np.inf, "x", None])
def test_lapse_weeks_must_be_a_number_of_weeks(frame, ladder, weeks):
    with pytest.raises(HistoryError, match="lapse_weeks"):
        build_histories(read_log(frame, ladder), lapse_weeks=weeks)


def test_what_is_no_log_no_ladder_or_no_source_is_named(frame, ladder):
    with pytest.raises(LogError, match=r"A DataFrame was given where a log is needed"):
        build_histories(frame)
    with pytest.raises(LogError, match="read_ladder"):
        read_log(frame, "ladder.toml")
    for nothing in (None, 3):
        with pytest.raises(LogError, match="can't be read; give a path"):
            read_log(nothing, ladder)
    with pytest.raises(LogError, match="date_order = 'american'; choose one of dmy, mdy, ymd"):
        read_log(frame, ladder, date_order="american")
