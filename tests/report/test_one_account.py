"""All outputs of an invented club, and of the demo club, say of a rung what its row says."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from account import check_account
from slow import day_and_night

from forecast.log import read_club
from forecast.report import gather
from forecast.simulate import LAWS, simulate_cohort

DEMO = Path(__file__).parents[2] / "data_demo" / "club.toml"
CLUBS = [(law, seed) for seed, law in enumerate([*sorted(LAWS), *sorted(LAWS)])]
CUT = pd.Timestamp("2024-10-14")


def in_pain(log, with_sets):
    """The log with pain in the last session of every third athlete."""
    sets = log.sets.copy()
    hurt = sorted(sets["athlete"].unique())[::3]
    last = sets.groupby("athlete")["date"].transform("max")
    sets.loc[sets["athlete"].isin(hurt) & sets["date"].eq(last), "pain"] = 6.0
    return with_sets(log, sets)


def hurting(log, rows) -> int:
    """Open rungs of those who noted pain of 4 or more in the four weeks before the cut."""
    late = log.sets["date"].between(CUT - pd.Timedelta(weeks=4), CUT, inclusive="left")
    hurt = set(log.sets.loc[late & (log.sets["pain"] >= 4), "athlete"])
    return sum(row.athlete in hurt for row in rows)


@pytest.mark.parametrize(("law", "seed"), day_and_night(CLUBS, CLUBS[:1]))
def test_an_invented_club_with_pain_tells_one_story(law, seed, with_sets, small_model):
    log = simulate_cohort(law, 7, seed=seed, weeks=41, follow_up=0).log
    log = in_pain(log, with_sets)
    view = small_model.view(log, CUT)
    assert check_account(view) == hurting(log, view.rows) > 0


@pytest.mark.nightly
def test_the_demo_club_tells_one_story(small_model):
    club = read_club(DEMO)
    view = small_model.view(club.log, club.as_of)  # learnt elsewhere: the story is one all the same
    assert check_account(view, club.name) > 0


def test_a_page_is_gathered_from_the_view_it_is_given(small_view):
    assert gather(small_view).rows == small_view.rows
