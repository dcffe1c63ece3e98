"""The row: its state, the order of lists, what a usual day shows, and figures of small logs."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.model import ReadinessForecaster
from forecast.readiness import curve_table, record_of, time_columns, untried_rungs, usual_value
from forecast.row import STATES, SUMMARY_COLUMNS, Row, most_urgent_first, rows_table, state_of

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


# the state ------------------------------------------------------------------------------------

FACT = {
    "sessions": 20, "weeks_since": 0.5, "pause_weeks": 3.0, "more_sessions": 0, "obstacle": "",
    "usual": 6.0, "target": 10.0,
}  # fmt: skip
VERDICT = {
    "flagged": False, "p_climbing": 0.8, "p_flat": 0.15, "p_slipping": 0.05, "gain": 0.02,
    "smallest_gain": 0.01,
}  # fmt: skip


@pytest.mark.parametrize(
    ("fact", "verdict", "hurts", "state"),
    [
        ({"weeks_since": 9.0}, {}, True, "pain"),
        ({"weeks_since": 3.1, "sessions": 0}, {}, False, "paused"),
        ({"weeks_since": 3.0, "sessions": 0}, {}, False, "new"),
        ({"more_sessions": 2, "obstacle": "missed"}, {}, False, "few"),
        ({"obstacle": "missed"}, {"flagged": True, "gain": -0.1}, False, "no_success"),
        ({"obstacle": "unclean"}, {}, False, "form"),
        ({"obstacle": "helped"}, {}, False, "help"),
        ({"obstacle": "underloaded"}, {}, False, "climbing"),
        ({}, {"flagged": True, "gain": -0.03, "p_slipping": 0.6}, False, "slipping"),
        ({}, {"flagged": True, "gain": -0.03, "p_slipping": 0.1}, False, "flat"),
        ({"usual": 10.0}, {"flagged": True, "gain": 0.0}, False, "flat"),
        ({"usual": 10.0}, {"flagged": True, "gain": 0.011}, False, "at_mark"),
        ({"usual": 10.0}, {}, False, "at_mark"),
        ({}, {}, False, "climbing"),
        ({}, {"flagged": True, "gain": 0.011}, False, "climbing"),  # never flat on such a gain
        ({}, {"p_climbing": 0.4}, False, "unclear"),
        ({"usual": np.nan}, {"p_climbing": 0.4}, False, "unclear"),
    ],
)
def test_the_first_rule_that_holds_makes_the_state(fact, verdict, hurts, state):
    told = state_of(
        SimpleNamespace(**FACT | fact), SimpleNamespace(**VERDICT | verdict), hurts=hurts
    )
    assert told == state
    assert state in STATES


# a club whose records a coach would read at a glance ------------------------------------------


def sets(athlete, rung, values, *, first=0, every=3.5, **more):
    days = first + np.arange(len(values)) * every // 1
    return [
        {"athlete": athlete, "rung": rung, "date": DAY0 + pd.Timedelta(days=int(day)),
         "value": float(value)} | more
        for day, value in zip(days, values, strict=True)
    ]  # fmt: skip


def rising(start, step, count, seed):
    wobble = np.random.default_rng(seed).normal(0.0, 0.2, count)
    return np.maximum(np.round(start + step * np.arange(count) + wobble, 1), 0.1)


@pytest.fixture(scope="module")
def log():
    rows = [r for n in range(6) for r in sets(f"usual{n}", "hang", rising(3, 0.25, 26, n))]
    rows += sets("hurts", "hang", rising(3, 0.1, 26, 50), pain=5)
    rows += sets("unclean", "hang", rising(9, 0.1, 26, 51), clean="no")
    rows += sets("helped", "hang", rising(9, 0.1, 26, 52), assist="band")
    rows += sets("missed", "hang", np.zeros(26))
    rows += sets("once", "hang", [4.0], first=84)
    rows += sets("gone", "hang", rising(3, 0.1, 10, 53))
    rows += sets("gone", "pull", [])
    rows += sets("next", "hang", [8, 9, 12], first=80)
    rows += sets("pulls", "hang", [12]) + sets("pulls", "pull", [2, 2, 3, 3, 3, 3, 3, 3], first=60)
    return read_log(pd.DataFrame(rows), LADDER)


@pytest.fixture(scope="module")
def model(log):
    return ReadinessForecaster(26, paths=256, draws=8).fit(log)


@pytest.fixture(scope="module")
def view(model, log):
    return model.view(log)


@pytest.fixture(scope="module")
def row_of(view):
    rows = {row.key: row for row in view.rows}
    return lambda athlete, rung="hang": rows[athlete, rung]


def test_states_of_plain_records(row_of):
    expected = {
        "hurts": "pain", "unclean": "form", "helped": "help", "missed": "no_success",
        "once": "few", "gone": "paused",
    }  # fmt: skip
    assert {name: row_of(name).state for name in expected} == expected
    assert row_of("next", "pull").state == "new"


def test_what_is_missing_to_judge_by_is_sessions_up_to_six_or_one_past_four_weeks(model):
    """Never more for having trained often: it was 13 after two sessions two days apart."""
    rows = sets("twice", "hang", [4.0, 4.5], first=76, every=2)
    rows += sets("dense", "hang", rising(3, 0.1, 7, 1), first=76, every=2)
    rows += sets("six", "hang", rising(3, 0.1, 6, 2), first=55, every=6)
    seen = {row.athlete: row.seen for row in model.view(read_log(pd.DataFrame(rows), LADDER)).rows}
    missing = {name: one.more_sessions for name, one in seen.items()}
    assert missing == {"twice": 4, "dense": 1, "six": 0}


def test_pain_holds_all_that_lies_ahead(view, row_of):
    row = row_of("hurts")
    assert (row.hold, row.wait) == ("pain", None)
    line = view.forecast().summary.set_index("athlete").loc["hurts"]
    ahead = [n for n in SUMMARY_COLUMNS if n.startswith(("p_", "weeks_", "date_"))]
    assert line[ahead].isna().all()
    assert line["on_hold"] == line["state"] == "pain"
    assert "hurts" not in set(view.forecast().curve["athlete"])
    assert "hurts" in set(view.forecast(despite_hold=True).curve["athlete"])
    steps = view.ladder_ahead(horizon_weeks=60)
    mine = steps.summary[steps.summary["athlete"] == "hurts"]
    assert len(mine) == len(LADDER.rungs)  # rungs not begun are held as well
    assert mine[ahead].isna().all(axis=None)
    assert "hurts" not in set(steps.curve["athlete"])


def test_without_a_valid_set_there_is_no_date_and_little_chance(row_of):
    for name in ("unclean", "helped"):
        row = row_of(name)
        assert row.seen.valid == 0
        assert np.isnan(row.wait.low)
        assert row.wait.chances[4] <= 0.1


def test_who_is_away_for_long_stands_last(view, row_of):
    assert row_of("gone").is_away
    assert row_of("gone").away.person
    assert view.rows[0].key == ("hurts", "hang")
    assert view.rows[-1].athlete == "gone"


def test_chances_add_up_and_states_agree_with_them(view):
    table = view.forecast().summary
    judged = table.dropna(subset=["p_flat"])
    total = judged[["p_climbing", "p_flat", "p_slipping"]].sum(axis=1)
    np.testing.assert_allclose(total, 1.0, atol=1e-5)
    assert (judged.loc[judged["state"] == "climbing", "p_climbing"] >= 0.5).all()


def test_usual_days_are_what_was_shown(log, view):
    best = log.sets.groupby(["athlete", "rung"])["value"].max()
    for row in view.rows:
        if row.seen.sessions:
            assert row.level.guess <= best[row.key]
    assert {row.level.value for row in view.rows if row.key == ("pulls", "pull")} == {3.0}


def test_at_most_five_reasons_and_the_level_among_them(view):
    for row in view.rows:
        kinds = [reason.kind for reason in row.reasons]
        assert len(kinds) == len(set(kinds)) <= 5
        assert "level" in kinds


def test_the_table_is_made_of_rows(view):
    rows = view.rows_of("pool")
    table = rows_table(rows)
    assert tuple(table.columns) == SUMMARY_COLUMNS[:-1]
    same = view.forecast().summary.drop(columns="warnings")
    pd.testing.assert_frame_equal(table, same)
    assert isinstance(rows[0], Row)
    with pytest.raises(dataclasses.FrozenInstanceError):
        rows[0].pain = 0.0


def test_lists_begin_with_pain_then_the_longest_stuck_then_who_clears_first(view):
    like = next(row for row in view.rows if row.wait and row.state == "climbing")

    def made(name, state, mid=5.0, weeks=np.nan, low=1.0):
        verdict = dataclasses.replace(like.verdict, state=state, weeks=weeks)
        wait = None if state == "pain" else dataclasses.replace(like.wait, mid=mid, low=low)
        return dataclasses.replace(like, athlete=name, verdict=verdict, wait=wait)

    rows = [
        made("late", "climbing", 9.0), made("never", "climbing", np.nan, low=9.0),
        made("soon", "unclear", 3.0), made("flat short", "flat", 1.0, 2.0),
        made("flat long", "flat", 30.0, 12.0), made("slips", "slipping", 30.0, 1.0),
        made("pain b", "pain"), made("pain a", "pain"), made("form", "form", np.nan),
    ]  # fmt: skip
    assert [row.athlete for row in most_urgent_first(rows)] == [
        "pain a", "pain b", "slips", "flat long", "flat short", "form", "soon", "late", "never",
    ]  # fmt: skip


# figures --------------------------------------------------------------------------------------


def test_a_usual_day_is_written_down_in_units():
    """Reps are whole: a capacity of 7.6 is written as 7, one of 0.3 as none."""
    level = np.log(np.array([7.6, 7.6, 0.3]) / 10.0)
    shown = usual_value(level, np.full(3, 10.0), np.array([True, False, True]))
    np.testing.assert_allclose(shown, [7.0, 7.6, 0.0])


def test_trust_grows_with_the_record():
    counts = [(4, 9), (5, 9), (9, 9), (10, 5), (10, 4), (14, 0), (15, 0)]
    assert [record_of(*pair) for pair in counts] == [
        "thin", "fair", "fair", "good", "fair", "thin", "fair",
    ]  # fmt: skip


def test_the_week_in_which_a_chance_is_reached():
    """A chance that is reached on day 7 to the dot is reached in one week."""
    by_day = np.zeros((2, 15))
    by_day[0, 7:], by_day[1, 10:] = 0.5, 0.4
    table = time_columns(by_day, pd.Timestamp("2025-03-01"))
    np.testing.assert_allclose(table["weeks_mid"], [1.0, np.nan])
    np.testing.assert_allclose(table["weeks_low"], [1.0, round(10 / 7, 2)])


def test_the_curve_is_by_week_and_never_falls():
    keys = pd.DataFrame({"athlete": ["Al", "Bo"], "rung": ["r", "s"], "other": [1, 2]})
    by_day = np.tile(np.arange(22) / 21.0, (2, 1))
    by_day[1, 14] = 0.1  # a last bit gone astray, made large
    table = curve_table(keys, by_day)
    assert table.columns.tolist() == ["athlete", "rung", "week", "p_cleared"]
    assert table["week"].tolist() == [1, 2, 3, 1, 2, 3]
    assert table["p_cleared"].tolist() == [0.333333, 0.666667, 1.0, 0.333333, 0.333333, 1.0]


def test_points_dates_and_chances():
    """Cleared on day 30 with chance 0.6, on day 60 with 0.35 more; looked at for 13 weeks."""
    by_day = np.zeros((1, 92))
    by_day[0, 30:], by_day[0, 60:] = 0.6, 0.95
    row = time_columns(by_day, pd.Timestamp("2025-03-01")).iloc[0]
    assert (row["weeks_low"], row["weeks_mid"], row["weeks_high"]) == (4.29, 4.29, 8.57)
    assert row["date_mid"] == pd.Timestamp("2025-03-31")
    assert row["date_high"] == pd.Timestamp("2025-04-30")
    assert (row["p_4"], row["p_8"], row["p_12"]) == (0.0, 0.6, 0.95)
    assert np.isnan(row["p_26"])  # past the horizon
    assert row["p_never_in_horizon"] == 0.05


def test_a_quantile_is_read_off_the_curve(view):
    result = view.forecast()
    mid = result.quantile(0.5).set_index(["athlete", "rung"])["weeks"]
    table = result.summary.set_index(["athlete", "rung"])
    dated = table["weeks_mid"].dropna().index
    assert (mid[dated] - table.loc[dated, "weeks_mid"]).abs().max() < 1.0
    assert mid[table["on_hold"].notna()].isna().all()


# rungs that come next -------------------------------------------------------------------------


def histories_of(rows):
    frame = pd.DataFrame(rows, columns=["athlete", "rung", "day", "value"])
    frame["date"] = (DAY0 + pd.to_timedelta(frame.pop("day"), unit="D")).astype("str")
    return build_histories(read_log(frame, LADDER))


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
    assert untried_rungs(histories_of([("Bo", "top", 9, 6)])).empty
