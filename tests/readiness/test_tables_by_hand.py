"""The public tables of a forecast from made chances and facts, every cell worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.errors import ForecastError
from forecast.ladder import Criterion, Rung
from forecast.readiness.reasons import confidence_words, met_words, reason_rows, warning_text
from forecast.readiness.result import (
    ReadinessForecast,
    curve_table,
    time_columns,
    weeks_at,
)

# chances by day -------------------------------------------------------------------------------


def test_the_week_in_which_a_chance_is_reached():
    """A chance that is reached on day 7 to the dot is reached in one week."""
    by_day = np.zeros((2, 15))
    by_day[0, 7:] = 0.5
    by_day[1, 10:] = 0.4
    assert weeks_at(by_day, 0.5)[0] == 1.0
    assert np.isnan(weeks_at(by_day, 0.5)[1])
    assert weeks_at(by_day, 0.3)[1] == pytest.approx(10 / 7)


def test_the_curve_is_by_week_and_never_falls():
    keys = pd.DataFrame({"athlete": ["Al", "Bo"], "rung": ["r", "s"], "other": [1, 2]})
    by_day = np.tile(np.arange(22) / 21.0, (2, 1))
    by_day[1, 14] = 0.1  # a last bit gone astray, made large
    table = curve_table(keys, by_day)
    assert table.columns.tolist() == ["athlete", "rung", "week", "p_cleared"]
    assert table["athlete"].tolist() == ["Al"] * 3 + ["Bo"] * 3
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
    exact = time_columns(by_day[:, :85], pd.Timestamp("2025-03-01")).iloc[0]
    assert exact["p_12"] == 0.95  # twelve weeks to the day are known


def test_the_forecast_of_one_athlete():
    one = pd.DataFrame({"athlete": ["Al", "Bo", "Bo"], "rung": ["r", "r", "s"]})
    whole = ReadinessForecast(one, one, one, pd.Timestamp("2025-03-01"), 13, "growth")
    part = whole.for_athlete("Bo")
    for table in (part.summary, part.curve, part.reasons):
        assert table["rung"].tolist() == ["r", "s"]
        assert table.index.tolist() == [0, 1]
        assert table.columns.tolist() == ["athlete", "rung"]
    assert (part.as_of, part.horizon_weeks, part.engine) == (whole.as_of, 13, "growth")
    with pytest.raises(ForecastError, match=r"'Cy' has no open rung .*: Al, Bo"):
        whole.for_athlete("Cy")


def test_points_that_nobody_reaches_are_missing_and_chances_may_fall_short():
    """A chance of 0.05 all along: no point is reached, and no date is made up."""
    row = time_columns(np.full((1, 30), 0.05), pd.Timestamp("2025-03-01")).iloc[0]
    for name in ("low", "mid", "high"):
        assert np.isnan(row[f"weeks_{name}"])
        assert pd.isna(row[f"date_{name}"])
    assert (row["p_4"], row["p_never_in_horizon"]) == (0.05, 0.95)


# facts in words -------------------------------------------------------------------------------

RUNGS = {
    "hang": Rung("hang", "Hang", "", Criterion("seconds", 10.0, confirm_sessions=2)),
    "pull": Rung("pull", "Pull", "", Criterion("reps", 5.0)),
}
USUAL = {
    "athlete": "Al", "rung": "hang", "sessions": 12, "comparable": 6, "wait_weeks": 0.5,
    "pain": 0.0, "load_known": True, "nothing_counts": "", "met_of": 12, "met_lately": 3.0,
    "met_expected": 2.5, "met_sd": 1.0, "usual": 8.0, "level_value": 8.2, "run": 1,
    "gain_lately": 0.021, "gain_lately_low": -0.01, "gain_lately_high": 0.05, "gain_ahead": 0.02,
    "rate": 2.5, "break_days": 0.0, "clean_share": 0.75, "athlete_pace": 0.01, "rung_pace": -0.005,
    "back_known": 3.0, "back_weeks": 1.2,
}  # fmt: skip


def facts_of(*changes):
    return pd.DataFrame([USUAL | change for change in changes])


def said(**change):
    """Reasons of one rung by name: value, unit and text."""
    rows = reason_rows(facts_of(change), RUNGS)
    return {row.what: (row.value, row.unit, row.text) for row in rows.itertuples()}


def test_warnings_say_what_makes_a_forecast_wide():
    warnings = warning_text(
        facts_of(
            {}, {"sessions": 0}, {"sessions": 1}, {"sessions": 4}, {"sessions": 5},
            {"comparable": 4}, {"comparable": 5}, {"wait_weeks": 2.0}, {"wait_weeks": 2.1},
            {"pain": 3.0}, {"pain": 4.0}, {"load_known": False}, {"nothing_counts": "all missed"},
            {"sessions": 1, "comparable": 0},
        )
    )  # fmt: skip
    few, alone = "few sessions on this rung", "few others have cleared this rung"
    assert warnings.tolist() == [
        "", "no session on this rung yet", few, few, "", alone, "", "", "not trained lately", "",
        "pain noted lately: stop and refer", "load not checked: no body mass in the roster",
        "all missed", f"{few}; {alone}",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("met", "expected", "sd", "worth"),
    [
        (0, 9, 2.4, True),
        (0, 4.8, 2.4, False),  # two standard deviations are chance's
        (0, 4.81, 2.4, True),
        (9, 4, 2.4, True),
        (1, 0, 0.1, False),  # one session is no surprise
        (2, 0, 0.1, True),
        (3, np.nan, np.nan, False),
    ],
)
def test_meetings_are_worth_a_word_past_chance_and_past_one(met, expected, sd, worth):
    fact = next(facts_of({"met_lately": met, "met_expected": expected, "met_sd": sd}).itertuples())
    assert bool(met_words(fact)) is worth
    if worth:
        assert met_words(fact).startswith(f"met in {met} of the last 12; the model expected ")


def test_trust_grows_with_the_record():
    counts = [(4, 9), (5, 9), (9, 9), (10, 5), (10, 4), (14, 0), (15, 0)]
    facts = facts_of(*({"sessions": n, "comparable": m} for n, m in counts))
    assert confidence_words(facts).tolist() == [
        "thin", "fair", "fair", "good", "fair", "thin", "fair",
    ]  # fmt: skip


def test_the_level_in_words():
    text = "stands at about 8.0 s on a usual day; the pass mark is 10 s"
    assert said()["level"] == (8.0, "s", text)
    reps = {"rung": "pull"}
    assert "about 3 reps on" in said(usual=3.0, **reps)["level"][2]
    assert "about 1 rep on" in said(usual=1.0, **reps)["level"][2]
    assert "about 1.0 s on" in said(usual=1.0)["level"][2]
    none = said(usual=np.nan, level_value=2.34, **reps)["level"]
    assert none[0] == 2.34
    assert none[2].startswith("no set of the last ")
    assert "put at about 2.3 reps; the pass mark is 5 reps" in none[2]


def test_a_rung_without_a_session_has_a_guess_and_no_training():
    reasons = said(sessions=0, usual=4.0)
    assert list(reasons) == ["level", "run", "comparable"]
    assert "no session here yet: the start is guessed at about 4.0 s" in reasons["level"][2]


def test_the_run_is_said_where_more_than_one_session_is_asked_for():
    assert said()["run"] == (
        1.0, "sessions", "has met the mark in 1 of the 2 sessions in a row that it takes"
    )  # fmt: skip
    assert "run" not in said(rung="pull", usual=3.0)


def test_gains_in_words():
    value, unit, text = said()["gain"]
    assert (value, unit) == (pytest.approx(2.1), "% a week")
    assert text == (
        "gained about +2.1 % a week lately (80 % range -1.0 to +5.0); +2.0 % a week is expected"
    )
    # A range of more than 20 % a week is no measurement.
    wide = said(gain_lately_low=-0.1, gain_lately_high=0.1001)["gain"][2]
    assert wide.startswith("too little to measure a gain (80 % range -10.0 to +10.0 % a week)")
    assert said(gain_lately_low=-0.1, gain_lately_high=0.0999)["gain"][2].startswith("gained")
    assert "-0.0" not in said(gain_lately=-0.0001)["gain"][2]


def test_training_in_words():
    reasons = said(break_days=21.0, met_lately=12, met_expected=2.0)
    assert reasons["attendance"] == (
        2.5, "sessions a week", "trained this rung 2.5 times a week lately"
    )  # fmt: skip
    assert reasons["break"] == (21.0, "days", "with a break of 21 days")
    assert reasons["met"][0] == 12.0
    assert reasons["clean"] == (75.0, "%", "75 % of recent sets were clean and unassisted")
    assert not {"break", "met"} & set(said())
    assert said(comparable=1)["comparable"] == (
        1.0, "spells", "1 cleared spell of others on this rung to compare with"
    )  # fmt: skip
    assert "6 cleared spells" in said()["comparable"][2]


@pytest.mark.parametrize(
    ("pace", "words"),
    [
        (0.01, "1.0 % a week quicker"),
        (-0.005, "0.5 % a week slower"),
        (0.002, "0.2 % a week quicker"),
        (0.0019, "neither quicker nor slower"),
        (-0.0019, "neither quicker nor slower"),
    ],
)
def test_paces_in_words(pace, words):
    assert said(athlete_pace=pace)["pace"][2] == f"other rungs say this athlete is {words} than " \
        "the cohort"  # fmt: skip
    assert said(rung_pace=pace)["difficulty"][2] == f"the rung itself goes {words} than the others"
    assert said(rung_pace=pace)["difficulty"][0] == pytest.approx(100 * pace)


def test_an_absence_in_words():
    """Up to three weeks are no absence."""
    assert said(wait_weeks=3.0)["away"] == (3.0, "weeks", "last trained it 3.0 weeks ago")
    away = said(wait_weeks=3.2, back_weeks=5.0)["away"][2]
    assert away == (
        "away from it for 3 weeks; of those who came back after as long an absence, half were "
        "back within 5 weeks (3 such absences in the log)"
    )
    assert "back within 1 week" in said(wait_weeks=9.0, back_weeks=0.4)["away"][2]
    alone = said(wait_weeks=9.0, back_known=0.0)["away"][2]
    assert alone.endswith("no absence that ended in this log was as long, so the return is a guess")
