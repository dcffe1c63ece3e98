"""Two days compared: each word when it holds, once; and the runs kept between them."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

import forecast as fc
from forecast.changes import (
    KINDS,
    Snapshot,
    changes,
    changes_since,
    keep,
    last_before,
    read_kept,
    snapshot,
)
from forecast.simulate import default_ladder
from forecast.words import say

LADDER = default_ladder()
FIRST, SECOND = LADDER.rungs[0], LADDER.rungs[1]
DAY = pd.Timestamp("2026-03-02")
NO_DAYS = pd.DataFrame({"athlete": [], "date": pd.Series(dtype="datetime64[ns]"), "digest": []})
WEEK = pd.Timedelta(weeks=1)


def rung_row(athlete="Bo", rung=FIRST, **more):
    row = {
        "athlete": athlete, "rung": rung.key, "rung_name": rung.name, "sessions": 20,
        "stands": "5 s", "sessions_per_week": 2.0, "absent": False,
        "state": "climbing", "wait_weeks": 0.5, "reason": "Gains.", "stuck": False,
        "cleared_on": pd.NaT, "due": False, "chances": list(np.linspace(0.02, 0.5, 12)),
    }  # fmt: skip
    return row | more


def athlete_row(athlete="Bo", last=DAY, **more):
    row = {
        "athlete": athlete, "first_on": DAY - 20 * WEEK, "last_on": last, "lapsed": False,
        "pain": np.nan, "pain_on": pd.NaT, "pain_rung": None,
    }  # fmt: skip
    return row | more


def club(day, rungs, athletes=None):
    people = athletes or [athlete_row(name) for name in sorted({r["athlete"] for r in rungs})]
    return Snapshot(day, pd.DataFrame(rungs), pd.DataFrame(people), NO_DAYS)


def words(before, now, weeks=1, people=None):
    was, is_now = club(DAY, [before]), club(DAY + weeks * WEEK, [now], people)
    table = changes(was, is_now, LADDER).table
    return list(table["kind"])


def test_nothing_new_is_nothing_told():
    assert words(rung_row(), rung_row(sessions=22)) == []


@pytest.mark.parametrize(
    ("before", "now", "kinds"),
    [
        ({}, {"state": "cleared", "cleared_on": DAY}, ["cleared"]),
        ({}, {"state": "flat", "stuck": True}, ["flat"]),
        ({}, {"state": "slipping", "stuck": True}, ["slipping"]),
        ({}, {"state": "flat", "stuck": False}, []),  # not for long enough yet
        ({"stuck": True, "state": "flat"}, {"stuck": True, "state": "flat"}, []),
        ({"stuck": True, "state": "flat"}, {}, ["moving again"]),
        ({"stuck": True, "state": "flat"}, {"stuck": True, "state": "unclear"}, []),
        ({}, {"absent": True, "state": "paused", "wait_weeks": 4.0}, ["away"]),
        ({}, {"state": "paused", "wait_weeks": 4.0}, []),  # another rung was trained: no absence
        ({"absent": True, "state": "paused", "wait_weeks": 4.0}, {}, ["back"]),
        ({}, {"chances": [0.96] * 12}, ["chance"]),
        ({}, {"chances": list(np.linspace(0.02, 0.6, 12))}, []),  # within what it moves by itself
        (
            {"state": "cleared", "cleared_on": DAY},
            {"state": "cleared", "cleared_on": DAY, "due": True},
            ["re-test"],
        ),
    ],
)
def test_each_word_when_it_holds(before, now, kinds):
    assert words(rung_row(**before), rung_row(**now)) == kinds


def test_pain_comes_first_and_is_told_again_only_when_noted_again():
    hurt = athlete_row(pain=6.0, pain_on=DAY + pd.Timedelta(days=2), pain_rung=FIRST.key)
    now = rung_row(state="cleared", cleared_on=DAY)
    assert words(rung_row(), now, people=[hurt]) == ["pain", "cleared"]
    assert words(rung_row(), rung_row(), people=[hurt | {"pain_on": DAY - WEEK}]) == []


def test_who_came_and_who_left():
    was = club(DAY, [rung_row(), rung_row("Cy")])
    people = [athlete_row(), athlete_row("Cy", lapsed=True), athlete_row("Di")]
    now = club(DAY + WEEK, [rung_row(), rung_row("Cy"), rung_row("Di")], people)
    table = changes(was, now, LADDER).table
    assert list(zip(table["kind"], table["athlete"], strict=True)) == [
        ("left", "Cy"),
        ("came", "Di"),
    ]


def test_rungs_that_share_a_word_are_told_together():
    away = {"absent": True, "state": "paused", "wait_weeks": 4.0}
    was = club(DAY, [rung_row(), rung_row(rung=SECOND)])
    now = club(DAY + WEEK, [rung_row(**away), rung_row(rung=SECOND, **away)])
    table = changes(was, now, LADDER).table
    assert len(table) == 1
    assert FIRST.name in table["text"][0]
    assert SECOND.name in table["text"][0]


def test_a_moved_chance_says_why():
    now = rung_row(
        chances=[0.0] * 12, sessions=20, wait_weeks=2.4, stands="3 s", sessions_per_week=1.0
    )
    table = changes(club(DAY, [rung_row()]), club(DAY + WEEK, [now]), LADDER).table
    for said in (
        "from 50 % to <1 %", "no session since", "3 s where it showed 5 s",
        "1.0 sessions a week after 2.0", "last trained 2 weeks ago", "25 May",
    ):  # fmt: skip
        assert said in table["text"][0]


def test_the_days_have_an_order():
    with pytest.raises(fc.ForecastError, match="is not before"):
        changes(club(DAY, [rung_row()]), club(DAY, [rung_row()]), LADDER)


# runs kept ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def days(small_view, small_model, small_log, small_cut):
    views = [small_view, small_model.view(small_log, small_cut + WEEK)]
    first = snapshot(views[0])
    return views, first, snapshot(views[1], first)


def test_what_was_kept_tells_the_same(days, tmp_path, small_log):
    _, first, second = days
    path = tmp_path / "last_run.json"
    keep(path, [], first)
    (kept,) = read_kept(path)
    expected = changes(first, second, small_log.ladder)
    assert len(expected.table) > 0
    assert set(expected.table["kind"]) <= set(KINDS)
    pd.testing.assert_frame_equal(changes(kept, second, small_log.ladder).table, expected.table)


def test_a_day_run_twice_is_compared_with_the_day_before(days, tmp_path):
    _, first, second = days
    path = tmp_path / "last_run.json"
    for run in (first, second, second):
        keep(path, read_kept(path), run)
    kept = read_kept(path)
    assert [run.as_of for run in kept] == [first.as_of, second.as_of]
    assert last_before(kept, second.as_of).as_of == first.as_of
    keep(path, kept, first)  # a look back
    assert [run.as_of for run in read_kept(path)] == [first.as_of, second.as_of]


@pytest.mark.parametrize("content", ["", "[]", "{}", json.dumps({"runs": [{"as_of": "x"}]})])
def test_a_file_of_something_else_is_refused(tmp_path, content):
    path = tmp_path / "last_run.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(fc.ForecastError, match="--kept"):
        read_kept(path)


def test_since_a_day_is_by_one_measure(days, small_cut):
    views, first, second = days
    found = changes_since(views[1], small_cut)
    assert (found.since, found.as_of) == (first.as_of, second.as_of)
    pd.testing.assert_frame_equal(found.table, changes(first, second, views[1].log.ladder).table)
    assert "<table" in found._repr_html_()
    with pytest.raises(fc.ForecastError, match="is not before"):
        changes_since(views[1], views[1].as_of)


def test_rows_that_vanished_were_edited_or_came_late_are_named(days, small_model, with_sets):
    views, first, _ = days
    log, as_of = views[1].log, views[1].as_of
    athlete, *_ = log.athletes
    mine = log.sets[(log.sets["athlete"] == athlete) & (log.sets["date"] < first.as_of)]
    gone, edited, late = mine["date"].drop_duplicates().iloc[[3, 5, 7]]

    def on(day):
        return (log.sets["athlete"] == athlete) & (log.sets["date"] == day)

    sets = log.sets.assign(value=log.sets["value"].mask(on(edited), log.sets["value"] + 1.0))
    days_then = first.days[~((first.days["athlete"] == athlete) & (first.days["date"] == late))]
    before = dataclasses.replace(first, days=days_then)
    view = small_model.view(with_sets(log, sets[~on(gone)]), as_of)
    found = changes(before, snapshot(view, before), log.ladder).table
    told = found[found["kind"] == "log"]
    assert told["athlete"].unique().tolist() == [athlete]
    assert sorted(told["text"]) == sorted(
        f"what was written of {say.day(day, as_of)} {what}."
        for day, what in ((gone, "has vanished"), (edited, "was edited"), (late, "came late"))
    )


def test_at_the_first_run_whoever_is_stuck_is_told_however_long(days, monkeypatch):
    views, _, second = days
    told = changes_since(views[1], views[1].as_of - WEEK, first=True).table
    stuck = second.rungs[second.rungs["state"].isin(["flat", "slipping"])]
    listed = told[told["kind"].isin(["flat", "slipping"])]
    assert set(listed["athlete"]) == set(stuck["athlete"])


def test_a_snapshot_remembers_who_was_stuck(days):
    views, first, _ = days
    rungs = first.rungs.assign(stuck=first.rungs["state"].notna())
    later = snapshot(views[1], dataclasses.replace(first, rungs=rungs)).rungs
    both = later.merge(
        rungs[["athlete", "rung", "state"]], on=["athlete", "rung"], suffixes=("", "_was")
    )
    both = both[(both["state_was"] != "cleared") & (both["state"] != "cleared")]
    assert (both["stuck"] == (both["state"] != "climbing")).all()
