"""The mark of a rung, the order of rungs on every list, and what a usual day shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.readiness.marks import marked, most_urgent_first, with_usual
from forecast.readiness.open_rungs import untried_rungs

DAY0 = pd.Timestamp("2026-01-05")
LADDER = Ladder(
    "Branching",
    (
        Rung("hang", "Hang", "", Criterion("seconds", 10.0), min_weeks=3.0),
        Rung("pull", "Pull", "", Criterion("reps", 5.0), needs=("hang",)),
        Rung("side", "Side", "", Criterion("reps", 5.0), needs=("hang",)),
        Rung("top", "Top", "", Criterion("reps", 5.0), needs=("pull", "side")),
    ),
)


def histories_of(rows, as_of=None):
    frame = pd.DataFrame(rows, columns=["athlete", "rung", "day", "value"])
    frame["date"] = (DAY0 + pd.to_timedelta(frame.pop("day"), unit="D")).astype("str")
    return build_histories(read_log(frame, LADDER), as_of)


def test_pain_of_four_stands_above_every_state():
    summary = pd.DataFrame({"athlete": list("abcdef"), "rung": "hang"})
    watched = pd.DataFrame(
        {
            "athlete": list("edcba"),
            "rung": "hang",
            "state": ["paused", "flat", "slipping", "climbing", "flat"],
            "pain": [np.nan, 3.0, 4.0, 0.0, 9.0],
        }
    )
    found = marked(summary, watched)["mark"].tolist()
    assert found == ["pain", "climbing", "pain", "flat", "away", "unclear"]


def test_the_order_of_a_list():
    rows = [
        # athlete, mark, weeks_mid, weeks_low, weeks_flat, wait_weeks
        ("away long", "away", 2.0, 1.0, np.nan, 20.0),
        ("away short", "away", 9.0, 1.0, np.nan, 4.0),
        ("climbs late", "climbing", 9.0, 4.0, np.nan, 0.0),
        ("unclear soon", "unclear", 3.0, 2.0, np.nan, 0.0),
        ("climbs never", "climbing", np.nan, 9.0, np.nan, 0.0),
        ("flat short", "flat", 1.0, 1.0, 2.0, 0.0),
        ("flat long", "flat", 30.0, 1.0, 12.0, 0.0),
        ("slips", "slipping", 30.0, 1.0, 1.0, 0.0),
        ("hurts b", "pain", 5.0, 3.0, np.nan, 0.0),
        ("hurts a", "pain", 5.0, 3.0, np.nan, 0.0),
    ]
    names = ["athlete", "mark", "weeks_mid", "weeks_low", "weeks_flat", "wait_weeks"]
    table = pd.DataFrame(rows, columns=names).assign(rung="hang")
    watched = table[["athlete", "rung", "weeks_flat", "wait_weeks"]]
    listed = most_urgent_first(table.drop(columns=["weeks_flat", "wait_weeks"]), watched)
    assert listed["athlete"].tolist() == [
        "hurts a", "hurts b", "slips", "flat long", "flat short", "unclear soon", "climbs late",
        "climbs never", "away short", "away long",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("rung", "values", "level", "usual"),
    [
        ("hang", [5.0] * 8, 4.6, 4.6),
        ("hang", [9.0] + [3.0] * 5, 4.6, 3.0),  # the best of the last five, not of all
        ("hang", [9.0] + [3.0] * 4, 4.6, 4.6),
        ("pull", [4.0] * 8, 3.9, 3.0),  # repetitions are whole
        ("pull", [4.0] * 8, 4.0, 4.0),
        ("pull", [2.0] * 8, 3.9, 2.0),
    ],
)
def test_a_usual_day_shows_no_more_than_was_seen_lately(rung, values, level, usual):
    histories = histories_of([("Bo", rung, 3 * n, value) for n, value in enumerate(values)])
    summary = pd.DataFrame(
        {"athlete": ["Bo"], "rung": [rung], "sessions": [len(values)], "level_value": [level]}
    )
    assert with_usual(summary, histories, LADDER)["usual"].item() == pytest.approx(usual)


def test_before_the_first_set_a_usual_day_is_the_level():
    histories = histories_of([("Bo", "hang", 0, 5.0)])
    summary = pd.DataFrame(
        {"athlete": ["Bo"], "rung": ["side"], "sessions": [0], "level_value": [2.4]}
    )
    assert with_usual(summary, histories, LADDER)["usual"].item() == 2.0


# rungs that come next -----------------------------------------------------------------------


def test_the_rungs_that_come_next_and_from_when():
    rows = untried_rungs(histories_of([("Bo", "hang", 0, 5), ("Bo", "hang", 4, 12)]))
    assert rows["rung"].tolist() == ["pull", "side"]
    assert rows["rung_index"].tolist() == [1, 2]
    assert (rows["ready_on"] == DAY0 + pd.Timedelta(days=4 + 21)).all()  # three weeks on


def test_who_trains_a_rung_has_none_that_comes_next():
    rows = [("Bo", "hang", 4, 12), ("Bo", "pull", 30, 2), ("Cy", "hang", 0, 5)]
    assert untried_rungs(histories_of(rows)).empty


def test_all_that_a_cleared_rung_needed_is_behind():
    rows = untried_rungs(histories_of([("Bo", "pull", 9, 6)]))
    assert rows["rung"].tolist() == ["side"]
    assert rows["ready_on"].tolist() == [DAY0 + pd.Timedelta(days=9)]
    top = untried_rungs(histories_of([("Bo", "pull", 9, 6), ("Bo", "side", 12, 6)]))
    assert top["rung"].tolist() == ["top"]
    assert top["ready_on"].tolist() == [DAY0 + pd.Timedelta(days=12)]
    assert untried_rungs(histories_of([("Bo", "top", 9, 6)])).empty


def test_pain_holds_every_rung_of_the_athlete_those_to_come_too():
    plateaus = pd.DataFrame(
        {"athlete": ["a", "b"], "rung": ["one", "one"], "state": ["flat", "climbing"],
         "pain": [5.0, np.nan]}
    )  # fmt: skip
    rows = pd.DataFrame({"athlete": ["a", "a", "b", "b"], "rung": ["one", "two", "one", "two"]})
    assert list(marked(rows, plateaus)["mark"]) == ["pain", "pain", "climbing", "unclear"]
