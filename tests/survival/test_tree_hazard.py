"""What trees read of an athlete's record, and who they have not seen."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.survival import (
    TREE_COLUMNS,
    TREE_FOLDS,
    athlete_records,
    common_scale,
    cut_landmarks,
    fit_tree_hazard,
    landmark_features,
    predict_tree_hazard,
    stretch_edges,
    training_landmarks,
)

EDGES = stretch_edges(26)
MARKS = (5.0, 10.0)
START = pd.Timestamp("2024-01-01")


@pytest.fixture(scope="module")
def club():
    """36 athletes, 2 rungs, the second mark twice the first: one strength, read on both."""
    rng, rows = np.random.default_rng(5), []
    for k in range(36):
        level, rung, pace = rng.uniform(1.0, 3.5), 0, rng.uniform(0.02, 0.3)
        for week in range(60):
            value = round((level + pace * week) * np.exp(rng.normal(0, 0.03)), 2)
            rows.append((f"a{k}", START + pd.Timedelta(days=7 * week), f"r{rung}", value))
            rung += value >= MARKS[rung]
            if rung == 2:
                break
    ladder = Ladder(
        "Two",
        tuple(
            Rung(f"r{k}", "R", "", Criterion("seconds", mark), needs=("r0",) * k)
            for k, mark in enumerate(MARKS)
        ),
    )
    log = read_log(pd.DataFrame(rows, columns=["athlete", "date", "rung", "value"]), ladder)
    return build_histories(log, START + pd.Timedelta(weeks=61))


@pytest.fixture(scope="module")
def moments(club):
    table = training_landmarks(club)
    names = ["level", "swing", "pace", "var_level", "var_gain"]
    states = pd.DataFrame(0.0, index=club.sessions.index, columns=names)
    outlook = np.tile(np.linspace(-2.0, 0.0, len(EDGES)), (len(table), 1))
    return table, landmark_features(club, table, states), outlook


def test_the_scale_learns_that_one_strength_is_read_on_both_rungs(club):
    scale = common_scale(club)
    # half the mark on the second rung is the whole of the first: log 2 apart
    assert scale.positions[0] - scale.positions[1] == pytest.approx(np.log(2.0), abs=0.1)
    assert 0.02 < scale.scatter < 0.1  # 0.03 a day, and the climb of a week


def test_records_are_those_of_the_athlete_before_the_day(club, moments):
    table, _, _ = moments
    scale = common_scale(club)
    records, calendar = athlete_records(club, table, scale, EDGES)
    sessions, spells = club.sessions, club.spells
    for place in np.linspace(0, len(table) - 1, 25).astype(int):
        mark, row = table.iloc[place], records.iloc[place]
        spell = spells.iloc[int(mark["spell"])]
        day = pd.Timestamp("1970-01-01") + pd.Timedelta(days=int(mark["day"]))
        seen = sessions[(sessions["athlete"] == spell["athlete"]) & (sessions["date"] < day)]
        worth = np.log(seen["best"] / np.array(MARKS)[seen["rung_index"]])
        worth += scale.positions[spell["rung_index"]] - scale.positions[seen["rung_index"]]
        gap = -worth / scale.scatter
        age = (day - seen["date"]).dt.days / 7
        assert row["ever"] == pytest.approx(gap.min())
        assert row["last"] == pytest.approx(gap[seen["date"].idxmax()])
        if (age <= 13).any():
            assert row["best_13"] == pytest.approx(gap[age <= 13].min())
        if (age <= 52).sum() > 1:
            assert row["second_52"] == pytest.approx(gap[age <= 52].nsmallest(2).iloc[1])
        assert row["days_26"] == pytest.approx(np.log1p((age <= 26).sum()))
        assert row["since_first"] == pytest.approx(np.log1p(age.max()))
        ahead = (age <= 52) & (age > 52 - EDGES[4])  # up to the fourth stretch, a year ago
        assert np.expm1(calendar[place, 3, 2]) == pytest.approx(ahead.sum())


def test_an_age_in_the_roster_is_that_of_the_landmark(club, moments):
    roster = pd.DataFrame({"age": [20.0]}, index=["a0"])
    known = dataclasses.replace(club, roster=roster)
    table = moments[0]
    records, _ = athlete_records(known, table, common_scale(known), EDGES)
    cut = (START - pd.Timestamp("1970-01-01")).days + 61 * 7
    expected = 20.0 - (cut - table["day"]) / 365.2425  # nobody else's is given: theirs is the mean
    np.testing.assert_allclose(records["age"], expected)


def test_each_athlete_is_answered_by_trees_that_never_saw_them(club, moments):
    table, features, outlook = moments
    model = fit_tree_hazard(club, table, features, outlook, EDGES)
    assert len(model.folds) == TREE_FOLDS
    assert all(trees.n_features == TREE_COLUMNS for trees in model.folds)
    athlete = club.spells["athlete_id"].to_numpy()[table["spell"].to_numpy()]
    everyone = predict_tree_hazard(model, club, table, features, outlook, EDGES)
    apart = predict_tree_hazard(model, club, table, features, outlook, EDGES, left_out=athlete)
    for chances in (everyone, apart):
        assert chances.shape == (len(table), len(EDGES))
        assert (np.diff(chances, axis=1) >= 0).all()
    mine = athlete % TREE_FOLDS == 1
    flipped = table.assign(cleared=np.where(mine, ~table["cleared"], table["cleared"]))
    other = fit_tree_hazard(club, flipped, features, outlook, EDGES)
    again = predict_tree_hazard(other, club, table, features, outlook, EDGES, left_out=athlete)
    np.testing.assert_array_equal(again[mine], apart[mine])
    assert np.abs(again[~mine] - apart[~mine]).max() > 0.01


def test_who_is_near_the_mark_and_quick_is_said_to_clear_it_sooner(club, moments):
    table, features, outlook = moments
    model = fit_tree_hazard(club, table, features, outlook, EDGES)
    athlete = club.spells["athlete_id"].to_numpy()[table["spell"].to_numpy()]
    chance = predict_tree_hazard(model, club, table, features, outlook, EDGES, left_out=athlete)
    eight = list(EDGES).index(8.0)
    decided = (table["weeks"] >= 8) | table["cleared"]
    soon = (table["cleared"] & (table["weeks"] <= 8))[decided]
    told = chance[decided.to_numpy(), eight]
    assert told[soon].mean() > told[~soon].mean() + 0.2


def test_a_small_log_grows_no_tree_and_no_moment_is_no_trouble(club, moments):
    table, features, outlook = moments
    few = dataclasses.replace(club, spells=club.spells.assign(cleared_on=pd.NaT))
    assert fit_tree_hazard(few, table, features, outlook, EDGES).folds == ()
    model = fit_tree_hazard(club, table, features, outlook, EDGES)
    none = cut_landmarks(club, np.empty(0, dtype=np.int64))
    empty = predict_tree_hazard(model, club, none, features[:0], outlook[:0], EDGES)
    assert empty.shape == (0, len(EDGES))
