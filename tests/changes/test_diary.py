"""The diary: what was forecast stays as it was, and is held against what came."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import forecast as fc
from forecast.changes import (
    came,
    came_true,
    entries,
    in_words,
    keep_entries,
    moved,
    own_diary,
    read_diary,
)

WEEK = pd.Timedelta(weeks=1)
HEAD = "as_of,athlete,rung,sessions,per_week,p_8,date_mid\n"


@pytest.fixture(scope="module")
def earlier(small_log, small_model, small_cut):
    """What the forecaster sees of a day ten weeks before the cut."""
    return small_model.in_hindsight().view(small_log, small_cut - 10 * WEEK)


def test_a_day_is_kept_once_and_never_changed(small_view, tmp_path):
    path = tmp_path / "diary.csv"
    assert read_diary(path).empty
    rows = small_view.rows
    keep_entries(path, rows[:3], small_view.as_of - WEEK)
    first = path.read_bytes()
    keep_entries(path, rows[:2], small_view.as_of - WEEK)
    assert path.read_bytes() == first
    keep_entries(path, rows, small_view.as_of)
    assert path.read_bytes().startswith(first)
    kept = read_diary(path)
    days = {small_view.as_of: len(rows), small_view.as_of - WEEK: 3}
    assert kept["as_of"].value_counts().to_dict() == days
    held = {row.key for row in rows if row.hold}
    mine = kept.set_index(["athlete", "rung"])
    assert mine.loc[mine.index.isin(held), ["p_8", "date_mid"]].isna().all(axis=None)


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", f"{HEAD}2026-01-05,Bo,hollow,3,1.0,7.0,\n"])
def test_a_file_of_something_else_is_refused(tmp_path, text):
    path = tmp_path / "diary.csv"
    path.write_text(text)
    with pytest.raises(fc.ForecastError, match="does not hold a diary"):
        read_diary(path)


def test_what_came_is_read_off_the_log(earlier, small_view):
    histories = small_view.histories
    due = came(entries(earlier.rows, earlier.as_of), histories)
    assert len(due) > 5
    cleared = histories.spells.set_index(["athlete", "rung"])["cleared_on"]
    sets = pd.concat([histories.sets, histories.after_clearing])
    last = sets.groupby("athlete")["date"].max()
    for line in due.itertuples():
        assert line.due == line.as_of + 8 * WEEK
        assert line.came == (cleared[line.athlete, line.rung] <= line.due)
        silent = (line.due - last[line.athlete]).days
        assert line.came or silent <= histories.lapse_after[line.athlete]
    assert 0 < due["came"].sum() < len(due)
    table = came_true(due)
    assert table["n"].sum() == len(due)
    assert table["came"].sum() == due["came"].sum()
    np.testing.assert_allclose((table["n"] * table["expected"]).sum(), due["p_8"].sum())
    assert f"Of {len(due)} forecasts" in in_words(due)
    # not due yet: nothing to hold against anything
    assert came(entries(small_view.rows, small_view.as_of), histories).empty


def test_an_athlete_reads_what_was_said_and_what_came(earlier, small_view):
    due = came(entries(earlier.rows, earlier.as_of), small_view.histories)
    told = own_diary(due, small_view.histories)
    assert set(told) == set(due["athlete"])
    for athlete, text in told.items():
        mine = due[due["athlete"] == athlete]
        assert text.startswith("10 weeks ago")
        assert text.count("; cleared on") == mine["came"].sum()
        assert text.count("not cleared by") == (~mine["came"]).sum()


def test_a_date_that_moved_says_by_how_much_and_what_lies_between(small_view):
    row = next(row for row in small_view.rows if row.wait and pd.notna(row.wait.dates[1]))
    before = entries([row], small_view.as_of - WEEK)
    before["date_mid"] -= 3 * WEEK
    before["sessions"] = row.seen.sessions - 1
    before["per_week"] = 3.0
    (text,) = moved(before, [row], small_view.as_of).values()
    assert text == "3 weeks later than on 30 September: 1 session since, 3 at the usual rate"
    before["date_mid"] += 3 * WEEK
    assert moved(before, [row], small_view.as_of) == {row.key: "as on 30 September"}
    before["as_of"] = small_view.as_of - pd.Timedelta(days=2)  # too lately to have moved
    assert moved(before, [row], small_view.as_of) == {}
