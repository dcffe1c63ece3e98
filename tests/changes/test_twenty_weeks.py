"""Twenty weekly runs on a club of 30: every planted event is named, with few words too many."""

from __future__ import annotations

from functools import cache

import pandas as pd
import pytest
from planted import ATHLETES, CUT, END, START, WEEKS, planted_club

from forecast.changes import Changes, changes, snapshot
from forecast.histories import build_histories
from forecast.model import ReadinessForecaster

pytestmark = pytest.mark.nightly

SEED = 11
STRUCK = {"stall": {"flat", "slipping"}, "layoff": {"away"}, "pain": {"pain"}, "left": {"left"}}
"""The words that name a planted event."""
TOO_MANY_A_WEEK = 1.0


@pytest.fixture(scope="module")
def club():
    return planted_club(SEED)


@pytest.fixture(scope="module")
def weekly(club) -> list[Changes]:
    """What each of the weekly runs tells, by one model fitted before the first of them."""
    model = ReadinessForecaster(horizon_weeks=30, draws=16, paths=512).fit(club.log, CUT)
    return weekly_runs(model, club.log)


def weekly_runs(model, log) -> list[Changes]:
    before = snapshot(model.view(log, CUT))
    found = []
    for week in range(1, WEEKS + 1):
        now = snapshot(model.view(log, CUT + pd.Timedelta(weeks=week)), before)
        found.append(changes(before, now, log.ladder))
        before = now
    return found


def told_in(weekly: list[Changes]) -> pd.DataFrame:
    return pd.concat([week.table.assign(as_of=week.as_of) for week in weekly], ignore_index=True)


def names_event(told: pd.DataFrame, event) -> pd.Series:
    """Rows of what was told that name an event, after it."""
    rung = told["rung"].str.split(", ").map(lambda rungs: event.rung in rungs or not event.rung)
    right = told["kind"].isin(STRUCK[event.kind]) & (told["athlete"] == event.athlete)
    return right & rung & (told["as_of"] > event.on)


def fact(row, log, spells_on) -> bool:
    """Whether a word that is not an estimate says what the sets say, by rules counted out here."""
    mine = log.sets[(log.sets["athlete"] == row.athlete) & (log.sets["date"] < row.as_of)]
    days = mine["date"].drop_duplicates().sort_values()
    week = row.as_of - pd.Timedelta(weeks=1)
    if row.kind == "pain":
        return bool((mine.loc[mine["date"] >= week, "pain"] >= 4).any())
    if row.kind == "came":
        return days.iloc[0] >= week
    if row.kind == "left":
        return (row.as_of - days.iloc[-1]).days > 7 * 12
    rungs = row.rung.split(", ")
    last = mine[mine["rung"].isin(rungs)].groupby("rung")["date"].max()
    if row.kind == "away":
        return bool(((row.as_of - last).dt.days > 21).all())
    if row.kind == "back":
        return bool((last >= week).all())
    if row.kind == "re-test":  # after three weeks without a set, in the last quarter of a year
        return bool(days[days > row.as_of - pd.Timedelta(weeks=13)].diff().dt.days.max() > 21)
    cleared = spells_on(row.as_of)
    mine = cleared[(cleared["athlete"] == row.athlete) & cleared["rung"].isin(rungs)]
    return row.kind == "cleared" and bool(mine["cleared_on"].between(week, row.as_of).all())


def truly_flat(row, levels) -> list[bool]:
    """Whether the true gain was too little to count, by session of the last 12 weeks, last first.

    Too little: it would take more than a year to the mark, or is under 0.5 % a week.
    """
    known = levels[(levels["athlete"] == row.athlete) & (levels["rung"] == row.rung)]
    late = known[known["date"].between(row.as_of - pd.Timedelta(weeks=12), row.as_of)]
    late = late.sort_values("date", ascending=False)
    return (late["gain"] < (-late["level"] / 52).clip(lower=0.005)).tolist()


def true_state(row, levels) -> bool:
    """Whether a word on progress that names no event is true all the same."""
    flat = truly_flat(row, levels)
    if row.kind in ("flat", "slipping"):
        return flat[:1] == [True]
    return row.kind == "moving again" and any(flat) and not flat[0]


def too_many(told: pd.DataFrame, club) -> pd.DataFrame:
    """Words that name no event a first time, are no fact of the log, and not true of progress."""
    spells_on = cache(lambda day: build_histories(club.log, day).spells)
    right = pd.Series(
        [fact(row, club.log, spells_on) for row in told.itertuples()], index=told.index
    )
    for row in told[told["kind"].isin(["flat", "slipping", "moving again"])].itertuples():
        right[row.Index] = true_state(row, club.levels)
    for event in club.events.itertuples():
        named = told.index[names_event(told, event)]
        right[named[:1]] = True
        moved = (told["kind"] == "chance") & (told["athlete"] == event.athlete)
        right |= moved & (told["as_of"] > event.on)
    return told[~right]


def test_every_planted_event_is_named(weekly, club):
    told = told_in(weekly)
    missed = [e for e in club.events.itertuples() if not names_event(told, e).any()]
    assert missed == []


def test_every_clearing_is_named_once_and_nothing_else_as_one(weekly, club):
    told = told_in(weekly)
    told = told[told["kind"] == "cleared"]
    said = [(r.athlete, key) for r in told.itertuples() for key in r.rung.split(", ")]
    spells = build_histories(club.log, END).spells
    true = spells[spells["cleared_on"] >= CUT]
    assert len(said) == len(set(said))
    assert set(said) == set(zip(true["athlete"], true["rung"], strict=True))
    assert len(said) > 10


def test_words_too_many_are_fewer_than_one_a_week(weekly, club):
    wrong = too_many(told_in(weekly), club)
    assert club.log.sets["athlete"].nunique() == ATHLETES
    assert len(wrong) / WEEKS <= TOO_MANY_A_WEEK, wrong.to_string()


def test_the_planted_club_is_what_it_says(club):
    events, sets = club.events, club.log.sets
    assert events["kind"].value_counts().to_dict() == {
        "stall": 3,
        "layoff": 3,
        "pain": 3,
        "left": 2,
    }
    assert events["athlete"].is_unique
    assert sets["date"].min() >= START
    for event in events[events["kind"] == "left"].itertuples():
        assert (sets.loc[sets["athlete"] == event.athlete, "date"] < event.on).all()
    for event in events[events["kind"] == "stall"].itertuples():
        here = sets[(sets["athlete"] == event.athlete) & (sets["rung"] == event.rung)]
        early, late = here[here["date"] < event.on], here[here["date"] >= event.on]
        assert late["value"].max() <= early["value"].max()
        assert late["date"].nunique() > 20
