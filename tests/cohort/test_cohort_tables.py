"""Bottlenecks, pace and difficulty, covariates, groups."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import survdiff

from forecast.cohort import (
    athlete_frailty,
    bottlenecks,
    compare_groups,
    covariate_effects,
    pace_and_difficulty,
)
from forecast.cohort.groups import stratified_log_rank
from forecast.errors import FitError, HistoryError
from forecast.simulate import simulate_cohort


@pytest.fixture(scope="module")
def planted():
    """A cohort whose quick half is coached by Ada; ``age`` has nothing to do with pace."""
    cohort = simulate_cohort("steady", 50, seed=11, weeks=90, follow_up=0, lapse_rate=0.1)
    log = cohort.log
    people = cohort.athletes.set_index("athlete").loc[log.athletes]
    quick = people["pace_effect"] > people["pace_effect"].median()
    rng = np.random.default_rng(2)
    roster = pd.DataFrame(
        {
            "coach": np.where(quick, "Ada", "Bo"),
            "age": rng.normal(30, 6, len(people)).round(),
            "nickname": [f"n{i}" for i in range(len(people))],
            "shoe": 42.0,
        },
        index=pd.Index(log.athletes, name="athlete"),
    )
    return dataclasses.replace(log, roster=roster)


def test_bottleneck_shares_add_up(small_model, small_log, small_cut):
    found = bottlenecks(small_model, small_log, small_cut)
    table = found.frame()
    assert table["rung"].tolist() == list(small_log.ladder.keys)
    assert table["share_logged"].sum() == pytest.approx(1)
    assert (table[["cleared", "lapsed", "open"]].sum(axis=1) <= table["spells"]).all()
    assert table["flat_share"].dropna().between(0, 1).all()
    assert (table["flat_weeks"] <= table["weeks_logged"] + 1e-9).all()
    assert "weeks logged" in found.text


def test_pace_is_shrunk_and_points_the_right_way(small_model, small_log, small_cut, small_cohort):
    found = pace_and_difficulty(small_model, small_log, small_cut)
    athletes = found.athletes.set_index("athlete")
    assert athletes["told"].between(0, 1).all()
    true = small_cohort.athletes.set_index("athlete")["pace_effect"].reindex(athletes.index)
    assert np.corrcoef(true, athletes["gain"])[0, 1] > 0.4
    # Shrinkage: the less is known, the wider the interval.
    width = athletes["gain_high"] - athletes["gain_low"]
    assert np.corrcoef(width, athletes["told"])[0, 1] < -0.9
    rungs = found.rungs
    assert (rungs["weeks_low"] <= rungs["weeks"]).all()
    assert (rungs["weeks"] <= rungs["weeks_high"]).all()
    untried = rungs[rungs["spells"] == 0]
    tried = rungs[rungs["spells"] > 3]
    if len(untried) and len(tried):
        assert untried["told"].max() < tried["told"].max()
    kinds = found.frame()["kind"].value_counts()
    assert kinds["rung"] == len(rungs)
    assert "shrunk" in found.text


def test_covariates_find_what_is_there_and_name_what_is_not_used(planted):
    found = covariate_effects(planted, level=0.95)
    table = found.frame().set_index("column")
    assert table.loc["coach", "contrast"] in ("Ada against Bo", "Bo against Ada")
    ratio = table.loc["coach", "hazard_ratio"]
    quick = ratio if table.loc["coach", "contrast"].startswith("Ada") else 1 / ratio
    assert quick > 1.5
    assert table.loc["coach", "p_holm"] < 0.01
    assert table.loc["age", "low"] < 1 < table.loc["age", "high"]
    assert (table["p_holm"] >= table["p_value"]).all()
    assert set(found.skipped["column"]) == {"nickname", "shoe"}
    assert "association" in found.text


def test_covariates_together(planted):
    both = covariate_effects(planted, ["coach", "age"], adjusted=True)
    assert both.table["spells"].nunique() == 1
    assert len(both.table) == 2
    missing = planted.roster.assign(age=planted.roster["age"].where(planted.roster["age"] > 28))
    fewer = dataclasses.replace(planted, roster=missing)
    known = covariate_effects(fewer, ["coach", "age"], adjusted=True).table
    assert known["athletes"].max() < both.table["athletes"].max()


def test_covariates_without_roster_or_with_a_stranger(small_log, planted):
    with pytest.raises(HistoryError, match="no roster"):
        covariate_effects(small_log)
    with pytest.raises(HistoryError, match=r"'height'.*coach, age"):
        covariate_effects(planted, ["height"])


def test_covariates_say_when_there_is_too_little(climbs):
    roster = pd.DataFrame(
        {"age": [20.0, 30, 40]}, index=pd.Index(["a00", "a01", "a02"], name="athlete")
    )
    found = covariate_effects(climbs([2, 4, 8], roster=roster))
    assert found.frame().empty
    assert "not enough data: 3 cleared" in found.text


def test_groups_differ_where_they_do(planted):
    found = compare_groups(planted, "coach", level=0.95)
    table = found.frame().set_index("group")
    assert (table["hazard_ratio"] == 1).sum() == 1
    assert table.loc["Ada", "hazard_ratio"] > table.loc["Bo", "hazard_ratio"]
    assert found.p_wald < 0.01
    assert found.p_log_rank < 0.01
    assert "differ in other ways" in found.text


def test_start_years_carry_their_caution(planted):
    assert "shorter time" in compare_groups(planted, "start_year").text


def test_groups_too_few_or_not_groups(planted):
    with pytest.raises(FitError, match="two are needed"):
        compare_groups(planted, "nickname")
    with pytest.raises(HistoryError, match="time_to_clear"):
        compare_groups(planted, "rung")


# Two routes: statsmodels does strata and late entry, though not both at once.
@pytest.mark.parametrize("late", [False, True])
def test_stratified_log_rank_agrees_with_statsmodels(late):
    rng = np.random.default_rng(4)
    n = 120
    group, stratum = rng.integers(0, 3, n), rng.integers(0, 4, n)
    entry = rng.uniform(0, 3, n).round(1) if late else np.full(n, -1.0)
    leave = np.maximum(entry, 0) + np.ceil(rng.exponential(6, n)) / 2
    event = rng.random(n) < 0.7
    if late:
        ours = stratified_log_rank(entry, leave, event.astype(float), group, np.zeros(n, int))
        theirs, _ = survdiff(leave, event.astype(int), group, entry=entry)
    else:
        ours = stratified_log_rank(entry, leave, event.astype(float), group, stratum)
        theirs, _ = survdiff(leave, event.astype(int), group, strata=stratum)
    assert ours == pytest.approx(theirs, rel=1e-9)


def test_frailty_sees_that_athletes_differ(planted):
    found = athlete_frailty(planted)
    assert found.variance > 0.05
    assert found.p_value < 0.05
    factor = found.frame()["factor"]
    coach = planted.roster["coach"].reindex(factor.index)
    assert factor[coach == "Ada"].mean() > factor[coach == "Bo"].mean()
    assert "Athletes differ in pace" in found.text


def test_frailty_needs_athletes(climbs):
    with pytest.raises(FitError, match="Not enough data"):
        athlete_frailty(climbs([2, 4, 8]))
