"""What the plateau watch says: its sentences, their order, and when a flag goes up."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.plateau import urgent_first
from forecast.plateau.alarms import enough_record, raise_flags, training_rate
from forecast.plateau.changes import changes_since, longer_but_less_clean
from forecast.plateau.words import PAIN_CAUTION, USUAL_HELP, reason_for

DAY0 = pd.Timestamp("2026-01-05")
ROW = {
    "state": "climbing", "sessions": 20, "weeks_trained": 9.25, "wait_weeks": 0.5, "enough": True,
    "gain": 0.0213, "gain_low": 0.0102, "gain_high": 0.0324, "smallest_gain": 0.005,
    "p_flat": 0.8349, "since": pd.NaT, "since_low": pd.NaT, "since_high": pd.NaT, "changed": "",
    "less_clean": False,
}  # fmt: skip
RANGE = "+2.1 % a week lately (80 % range +1.0 % to +3.2 %)"
DATED = {
    "since": pd.Timestamp("2026-03-02"),
    "since_low": pd.Timestamp("2026-02-23"),
    "since_high": pd.Timestamp("2026-03-14"),
}


# sentences ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, f"Gains {RANGE}; +0.5 % would be too little."),
        (
            {"state": "flat"},
            f"Gains too little; the start can't be dated: {RANGE}, and under +0.5 % counts as "
            "flat. Chance of being flat 83 %.",
        ),
        (
            {"state": "slipping", **DATED, "changed": "effort 6.0 then 8.0"},
            "Loses ground since about 2 Mar 2026 (between 23 Feb 2026 and 14 Mar 2026): "
            f"{RANGE}, and under +0.5 % counts as flat. Chance of being flat 83 %. Changed with it "
            "in the log (seen together, no cause): effort 6.0 then 8.0.",
        ),
        (
            {"state": "paused", "wait_weeks": 4.26, "less_clean": True, "changed": "x"},
            "Not trained for 4.3 weeks: no plateau, a pause.",
        ),
        (
            {"state": "unclear", "enough": False},
            "20 sessions over 9.2 weeks of training: too few to tell progress from the scatter "
            "of days.",
        ),
        (
            {"state": "unclear", "gain": np.nan},
            "20 sessions over 9.2 weeks of training: too few to tell progress from the scatter "
            "of days.",
        ),
        (
            {"state": "unclear"},
            f"Gains {RANGE}: could be progress or none; more sessions will tell.",
        ),
        ({"state": "unclear", "sessions": 0}, "No session on this rung yet."),
        (
            {"less_clean": True},
            f"Gains {RANGE}; +0.5 % would be too little. Longer but less clean: the numbers rise "
            "while more sets lose form.",
        ),
    ],
    ids=range(9),
)
def test_each_state_has_its_sentence(changed, said):
    assert reason_for({**ROW, **changed}) == said


def test_a_start_known_to_the_day_has_no_range():
    day = pd.Timestamp("2026-03-02")
    start = dict.fromkeys(("since", "since_low", "since_high"), day)
    told = reason_for({**ROW, "state": "flat", **start})
    assert told.startswith("Gains too little since about 2 Mar 2026: ")


def test_the_watch_list_is_in_order_of_urgency():
    rows = [
        # athlete, state, pain, weeks_flat, less_clean, sessions
        ("climbs", "climbing", np.nan, np.nan, False, 9),
        ("waits", "paused", np.nan, np.nan, False, 9),
        ("waits unclean", "paused", np.nan, np.nan, True, 9),
        ("new", "unclear", np.nan, np.nan, False, 2),
        ("none yet", "unclear", np.nan, np.nan, False, 0),
        ("flat briefly", "flat", np.nan, 3.0, False, 9),
        ("flat long", "flat", np.nan, 30.0, False, 9),
        ("slips", "slipping", 3.0, 2.0, False, 9),
        ("loose", "climbing", 0.0, np.nan, True, 9),
        ("hurts", "climbing", 4.0, np.nan, False, 9),
    ]
    names = ["athlete", "state", "pain", "weeks_flat", "less_clean", "sessions"]
    table = pd.DataFrame(rows, columns=names).assign(rung="press", reason="So.")
    listed = urgent_first(table).set_index("athlete")
    assert listed["urgency"].to_dict() == {
        "hurts": 1, "slips": 2, "flat long": 3, "flat briefly": 3, "loose": 4, "waits": 5,
        "waits unclean": 5, "new": 6,
    }  # fmt: skip
    assert list(listed.index) == [
        "hurts", "slips", "flat long", "flat briefly", "loose", "waits", "waits unclean", "new",
    ]  # fmt: skip
    assert listed["why"].to_dict() == dict.fromkeys(listed.index, "So.") | {
        "hurts": "Pain of 4 noted. So."
    }
    helped = dict.fromkeys(("slips", "flat long", "flat briefly", "loose"), USUAL_HELP)
    expected = dict.fromkeys(listed.index, "") | helped | {"hurts": PAIN_CAUTION}
    assert listed["next_step"].to_dict() == expected


# what changed with it -----------------------------------------------------------------------


def spell_of(days, **columns):
    """Sessions on these days, two sets each; columns of the sets by session."""
    date = DAY0 + pd.to_timedelta(days, unit="D")
    sessions = pd.DataFrame({"date": date})
    sets = pd.DataFrame(
        {
            "session": np.repeat(np.arange(len(days)), 2), "date": np.repeat(date, 2), "value": 5.0,
            "clean": True, "assisted": False, "effort": np.nan, "pain": np.nan,
        }
    )  # fmt: skip
    for name, values in columns.items():
        sets[name] = np.repeat(np.asarray(values), 2)
    return sessions, sets


EVEN = np.arange(0, 56, 3.5).astype(int)
HALF = len(EVEN) // 2
SINCE = DAY0 + pd.Timedelta(days=28)


def two(early, late):
    return [early] * HALF + [late] * HALF


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({}, ""),
        ({"effort": two(6.0, 7.0)}, "effort 6.0 then 7.0"),
        ({"effort": two(7.0, 6.0)}, "effort 7.0 then 6.0"),
        ({"effort": two(6.0, 6.9)}, ""),
        ({"effort": two(np.nan, 9.0)}, ""),
        ({"pain": two(np.nan, 4.0)}, "highest pain none noted then 4"),
        ({"pain": two(2.0, 5.0)}, "highest pain 2 then 5"),
        ({"pain": two(5.0, 5.0)}, ""),
        ({"pain": two(0.0, 3.0)}, ""),
        ({"clean": [True] * (HALF + 6) + [False] * 2}, "clean sets 100 % then 75 %"),
        ({"clean": [True] * (HALF + 7) + [False]}, ""),
    ],
    ids=range(11),
)
def test_what_changed_is_said_from_where_it_matters(columns, said):
    assert changes_since(*spell_of(EVEN, **columns), SINCE) == said


def test_attendance_and_gaps_are_said():
    fewer = [*range(0, 29, 4), *range(35, 57, 7)]  # every four days, then every seven
    said = changes_since(*spell_of(fewer), SINCE + pd.Timedelta(days=1))
    assert said == "attendance 1.8 then 1.0 sessions a week"
    gap = [*range(0, 28, 4), *range(43, 57, 2)]  # seven each; 19 days between
    assert changes_since(*spell_of(gap), SINCE + pd.Timedelta(days=1)).endswith("a gap of 19 days")
    short = [*range(0, 28, 4), *range(38, 57, 3)]  # 14 days are no long gap
    assert "gap" not in changes_since(*spell_of(short), SINCE)


def test_sets_a_session_are_said():
    sessions, sets = spell_of(EVEN)
    late = sets["session"] >= HALF
    more = pd.concat([sets, sets[late].iloc[::4]])  # two, then two and a half
    assert changes_since(sessions, more, SINCE) == "sets a session 2.0 then 2.5"
    fewer = pd.concat([sets, sets[late].iloc[::8]])  # two and a quarter
    assert changes_since(sessions, fewer, SINCE) == ""


def test_two_sessions_on_either_side_say_nothing():
    pain = {"pain": [0, 0, 0, 8, 8, 8]}
    assert changes_since(*spell_of([0, 4, 8, 12, 16, 20], **pain), DAY0 + pd.Timedelta(days=12))
    for days in ([5, 8, 12, 16, 20], [0, 4, 8, 12, 16]):
        few = {"pain": [8 * (day >= 12) for day in days]}
        assert changes_since(*spell_of(days, **few), DAY0 + pd.Timedelta(days=12)) == ""


@pytest.mark.parametrize(
    ("rise", "unclean", "assisted", "expected"),
    [
        (1.06, 0.5, False, True),
        (1.04, 0.5, False, False),
        (1.06, 0.0, False, False),
        (0.9, 0.5, False, False),
        (1.06, 0.5, True, False),
    ],
)
def test_longer_but_less_clean_needs_both(rise, unclean, assisted, expected):
    days = np.arange(0, 84, 4)
    late = days > 80 - 28
    _, sets = spell_of(days, value=np.where(late, 10 * rise, 10.0))
    loose = np.repeat(late, 2) & (np.arange(len(sets)) % 2 == 0) & (unclean > 0)
    sets["clean"], sets["assisted"] = ~loose, assisted
    assert longer_but_less_clean(sets) is expected


# flags --------------------------------------------------------------------------------------


def flags(traces_from, p_flat, *, sd=0.01, enter=0.8):
    traces = traces_from([np.zeros(len(p_flat))], gap_days=3.5)
    chance = np.asarray(p_flat, dtype=float)[:, None]
    up, went = raise_flags(traces, chance, np.full(len(p_flat), sd), np.full(len(p_flat), enter))
    return up[:, 0], went[:, 0]


def test_a_flag_goes_up_once_and_comes_down_below_one_half(traces_from):
    p_flat = [0.1] * 10 + [0.9] * 3 + [0.5] * 2 + [0.49, 0.9, 0.9]
    up, went = flags(traces_from, p_flat)
    # Half a week of it first, two looks that agree; then as long as it is even or better.
    assert np.flatnonzero(up).tolist() == [11, 12, 13, 14, 17]
    assert np.flatnonzero(went).tolist() == [11, 17]


def test_no_flag_below_its_limit_or_where_nothing_was_measured(traces_from):
    assert not flags(traces_from, [0.79] * 20)[0].any()
    assert flags(traces_from, [0.8] * 20)[0].any()
    assert flags(traces_from, [0.9] * 20, sd=0.05)[0].any()
    assert not flags(traces_from, [0.9] * 20, sd=0.051)[0].any()


def test_six_sessions_and_four_weeks_are_record_enough(traces_from):
    weekly = traces_from([np.zeros(9)], gap_days=7)
    assert np.flatnonzero(enough_record(weekly)).tolist() == [5, 6, 7, 8]  # six sessions
    daily = traces_from([np.zeros(40)], gap_days=1)
    assert np.flatnonzero(enough_record(daily))[0] == 28  # four weeks
    up, _ = flags(traces_from, [1.0] * 20)
    assert np.flatnonzero(up)[0] == 9  # four weeks, and half a week on


def test_the_rate_is_sessions_a_week_so_far(traces_from):
    rate = training_rate(traces_from([np.zeros(9)], gap_days=3.5))
    assert rate.tolist() == [0.0, 0.0] + [2.0] * 7
