"""Pain belongs to the athlete: noted on one rung, it holds the dates of all, for four weeks."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.histories import PAIN, build_histories, recent_pain


@pytest.mark.parametrize(("weeks", "noted"), [(1, True), (4, True), (5, False)])
def test_pain_counts_by_athlete_and_for_four_weeks(small_log, small_cut, with_sets, weeks, noted):
    sets = small_log.sets.assign(pain=float("nan"))
    first = sets["athlete"].iloc[0]
    days = sets.loc[(sets["athlete"] == first) & (sets["date"] < small_cut), "date"]
    day = days[days >= small_cut - pd.Timedelta(weeks=weeks)].min()
    if not noted:
        day = days[days < small_cut - pd.Timedelta(weeks=weeks - 1)].max()
    sets.loc[(sets["athlete"] == first) & (sets["date"] == day), "pain"] = 6.0
    pain = recent_pain(build_histories(with_sets(small_log, sets), small_cut))
    assert pain.to_dict() == ({first: 6.0} if noted else {})


def test_pain_on_one_rung_warns_on_every_open_rung(small_log, small_model, small_cut, with_sets):
    plain = small_model.forecast(small_log, small_cut).summary
    several = plain["athlete"].value_counts()
    athlete = several.index[several > 1][0]
    sets = small_log.sets.copy()
    theirs = (sets["athlete"] == athlete) & (sets["date"] < small_cut)
    sets.loc[theirs, "pain"] = 0.0
    sets.loc[sets.index[theirs][-1], "pain"] = PAIN
    log = with_sets(small_log, sets)
    summary = small_model.forecast(log, small_cut).summary
    warned = summary["warnings"].str.contains("pain noted")
    assert warned[summary["athlete"] == athlete].all()
    states = small_model.plateaus(log, small_cut)
    assert (states.loc[states["athlete"] == athlete, "on_hold"] == "pain").all()
