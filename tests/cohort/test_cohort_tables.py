"""Bottlenecks, pace and difficulty, covariates, groups."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from forecast.cohort import (
    bottlenecks,
    covariate_effects,
    pace_and_difficulty,
)
from forecast.errors import HistoryError
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
    assert athletes["share_learnt"].between(0, 1).all()
    true = small_cohort.athletes.set_index("athlete")["pace_effect"].reindex(athletes.index)
    assert np.corrcoef(true, athletes["gain"])[0, 1] > 0.4
    # Shrinkage: the less is known, the wider the interval.
    width = athletes["gain_high"] - athletes["gain_low"]
    assert np.corrcoef(width, athletes["share_learnt"])[0, 1] < -0.9
    rungs = found.rungs
    timed = rungs.dropna(subset="weeks")
    assert len(timed)
    assert (timed["weeks_low"] <= timed["weeks"]).all()
    assert not (timed["weeks_high"] < timed["weeks"]).any()
    few = rungs[rungs["spells"] == rungs["spells"].min()]
    many = rungs[rungs["spells"] == rungs["spells"].max()]
    assert few["share_learnt"].max() < many["share_learnt"].min()
    kinds = found.frame()["kind"].value_counts()
    assert kinds["rung"] == len(rungs)
    assert "shrunk" in found.text


def test_the_hardest_rung_is_that_of_the_table(small_view):
    """The rung named is the one that half cleared last, and no figure is without an end."""
    table, text = bottlenecks(small_view).frame(), pace_and_difficulty(small_view).text
    some = table[table["spells"] >= 5]
    latest = some["median_weeks"].fillna(some["watched_weeks"]).idxmax()
    assert f"Hardest rung: {table.loc[latest, 'rung_name']}; " in text
    assert "inf" not in text
    assert not np.isinf(table.select_dtypes("number").to_numpy()).any()


def test_without_two_rungs_of_five_spells_none_is_called_the_hardest(few_spells):
    text = pace_and_difficulty(few_spells).text
    assert "Which rung is hardest cannot be said yet" in text


@pytest.fixture(scope="module")
def few_spells(small_model, small_log, small_cut):
    """The view of three athletes."""
    sets = small_log.sets
    three = sets[sets["athlete"].isin(small_log.athletes[:3])]
    log = dataclasses.replace(small_log, sets=three, rows_in=len(three))
    return small_model.view(log, small_cut)


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
