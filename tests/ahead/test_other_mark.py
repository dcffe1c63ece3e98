"""A rung at other pass marks: the present one reads as forecast, an easier one is never later."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from slow import day_and_night

from forecast.ahead import what_if_mark
from forecast.errors import ForecastError

TIMES = (0.5, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5)
WEEKS = ["weeks_low", "weeks_mid", "weeks_high"]
CHANCES = ["p_4", "p_8", "p_12", "p_26"]


@pytest.fixture(scope="module")
def view(small_view):
    return small_view


@pytest.fixture(scope="module", params=day_and_night(range(3), {0}))
def row(request, view):
    """An open rung with sessions on it."""
    summary = view.forecast().summary
    return summary[summary["sessions"] > 2].iloc[request.param]


@pytest.fixture(scope="module")
def asked(view, row):
    marks = [time * row["target"] for time in TIMES]
    return what_if_mark(view, athlete=row["athlete"], rung=row["rung"], targets=marks).table


def test_the_present_mark_reads_as_forecast(asked, row, view):
    now = asked.iloc[0]
    assert now["as_now"]
    pd.testing.assert_series_equal(now[WEEKS + CHANCES], row[WEEKS + CHANCES], check_names=False)
    # Asked for by number, it is walked on a finite number of paths.
    same = asked.iloc[1 + TIMES.index(1.0)]
    for name in CHANCES:
        if pd.notna(row[name]):
            assert same[name] == pytest.approx(row[name], abs=1.5 / min(view.model.paths, 512))


def test_an_easier_mark_is_never_cleared_later(asked):
    rows = asked.iloc[1:]
    assert rows["target"].is_monotonic_increasing
    for name in CHANCES:
        assert (rows[name].dropna().diff().dropna() <= 1e-9).all()
    assert (rows["weeks_mid"].fillna(1e9).diff().dropna() >= 0).all()


def test_a_mark_met_already_is_dated_by_the_literal_rule(asked, row, view):
    """The first day on which enough sessions in a row had a counting set at the mark."""
    sets = view.log.sets
    mine = sets[(sets["athlete"] == row["athlete"]) & (sets["rung"] == row["rung"])]
    mine = mine[mine["date"] < view.as_of]
    confirm = view.log.ladder.rung(row["rung"]).criterion.confirm_sessions
    counts = mine["value"].where(mine["clean"] & (mine["assist"] == "none"))
    best = counts.groupby(mine["date"]).max()
    for line in asked.iloc[1:].itertuples():
        in_a_row, met_on = 0, None
        for day, shown in best.items():
            in_a_row = in_a_row + 1 if shown >= line.target - 1e-9 else 0
            if in_a_row >= confirm and met_on is None:
                met_on = day
        assert (line.met_on == met_on) if met_on else pd.isna(line.met_on)
        if met_on:
            assert line.weeks_high == 0
            assert line.p_4 == 1


@pytest.mark.parametrize("targets", [[], [0.0], [float("nan")], "10", [1e9], None])
def test_a_mark_out_of_range_is_refused(view, row, targets):
    with pytest.raises(ForecastError, match="give a list of one mark or more"):
        what_if_mark(view, athlete=row["athlete"], rung=row["rung"], targets=targets)


def test_who_is_not_on_the_rung_is_told_so(view, row):
    with pytest.raises(ForecastError, match="is not on 'nowhere'; with sessions on it"):
        what_if_mark(view, athlete=row["athlete"], rung="nowhere", targets=[1.0])


def test_others_in_the_log_change_nothing(view, row, asked):
    sets = view.log.sets
    alone = replace(view.log, sets=sets[sets["athlete"] == row["athlete"]].reset_index(drop=True))
    there = view.model.view(alone, view.as_of)
    marks = [time * row["target"] for time in TIMES]
    again = what_if_mark(there, athlete=row["athlete"], rung=row["rung"], targets=marks).table
    pd.testing.assert_frame_equal(again, asked)
