"""One row an athlete and rung: the same figures everywhere, and none against the record."""

from __future__ import annotations

import numpy as np
import pytest
from one_row import CUT, made_log

from forecast.model import ReadinessForecaster
from forecast.words import say

GAINS = ["gain_lately", "gain_lately_low", "gain_lately_high"]


@pytest.fixture(scope="module")
def log():
    return made_log()


@pytest.fixture(scope="module")
def model(log):
    return ReadinessForecaster(horizon_weeks=26, draws=16, paths=512).fit(log, CUT)


@pytest.fixture(scope="module")
def result(model, log):
    return model.forecast(log, CUT)


@pytest.fixture(scope="module")
def states(model, log):
    return model.plateaus(log, CUT).set_index(["athlete", "rung"])


@pytest.fixture(scope="module")
def of(result):
    rows = result.summary.groupby("athlete").head(1).set_index("athlete")
    return lambda name: rows.loc[name]


@pytest.fixture(scope="module")
def told(result):
    return lambda name, what: result.reasons.query("athlete == @name and what == @what")["text"]


def test_forecast_plateaus_and_ladder_ahead_say_the_same(model, log, result, states):
    summary = result.summary.set_index(["athlete", "rung"])
    np.testing.assert_array_equal(summary["gain_per_week"], summary["gain_lately"])
    same = states.reindex(summary.index)
    for ours, theirs in zip([*GAINS, "state", "p_flat"],
                            ["gain", "gain_low", "gain_high", "state", "p_flat"],
                            strict=True):  # fmt: skip
        np.testing.assert_array_equal(summary[ours], same[theirs])
    ahead = model.ladder_ahead(log, CUT, horizon_weeks=30).summary.set_index(["athlete", "rung"])
    part = ahead.reindex(summary.index)
    for name in [*GAINS, "gain_per_week", "gain_ahead", "state", "p_flat", "level_value",
                 "met_lately", "met_expected", "sessions_per_week"]:  # fmt: skip
        np.testing.assert_array_equal(summary[name], part[name])


def test_ten_per_cent_a_week_is_read_as_ten_per_cent(of, told):
    row = of("up")
    assert row["gain_lately"] == pytest.approx(0.10, abs=0.015)
    assert row["gain_lately_low"] < 0.10 < row["gain_lately_high"] < 0.14
    assert row["state"] == "climbing"
    assert told("up", "gain").iloc[0].startswith(f"{say.gain(row['gain_lately'])} a week over")
    assert f"{say.gain(row['gain_ahead'])} a week is expected" in told("up", "gain").iloc[0]


def test_minus_four_per_cent_a_week_is_slipping(of):
    row = of("down")
    assert row["gain_lately"] == pytest.approx(-0.037, abs=0.01)
    assert row["gain_lately_low"] < row["gain_lately"] < 0
    assert row["state"] == "slipping"
    assert row["p_flat"] + row["p_slipping"] > 0.8


def test_the_range_of_a_clear_loss_lies_below_none(of):
    assert of("down")["gain_lately_high"] < 0


def test_a_break_dilutes_neither_gain_nor_attendance(of, told):
    row = of("breaks")
    # up 8 % a week of training; three of the last six weeks were away
    assert row["gain_lately"] == pytest.approx(0.08 * 3 / 6, abs=0.02)
    assert row["sessions_per_week"] == pytest.approx(3.0, abs=0.3)
    assert told("breaks", "break").iloc[0].startswith("a break of 24 days")
    assert told("up", "break").empty


def test_nine_weeks_at_nine_of_ten_seconds_are_flat(of, told):
    row = of("near")
    assert row["state"] == "flat"
    assert row["p_flat"] + row["p_slipping"] >= 2 / 3
    assert 9.0 <= row["level_value"] <= 9.5
    assert (row["met_lately"], row["sessions"]) == (0, 27)


def test_what_was_expected_and_did_not_come_is_a_reason_and_a_warning(result):
    summary = result.summary[result.summary["on_hold"].isna()]
    off = summary["met_lately"] - summary["met_expected"]
    said = summary["warnings"].str.contains("of the last")
    assert not said[off.abs() <= 1].any()
    assert said[off < -4].all()
    reasons = result.reasons.query("what == 'met'")
    assert set(reasons["athlete"]) == set(summary.loc[said, "athlete"])


def test_seven_of_eight_repetitions_stand_at_seven_at_most(of):
    assert 6.0 < of("seven")["level_value"] <= 7.0


def test_nobody_stands_above_what_was_shown(result, log):
    best = log.sets.groupby(["athlete", "rung"])["value"].max()
    shown = best.reindex(result.summary.set_index(["athlete", "rung"]).index).to_numpy()
    assert (result.summary["level_value"] <= shown).all()


def test_all_missed_is_said_and_never_climbing(of):
    row = of("missed")
    assert row["level_value"] == 0.0
    assert row["state"] == "no_success"
    assert "all 36 sets missed: nothing to measure yet" in row["warnings"]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("banded", "all 48 sets with help: no unassisted set yet"),
        ("loose", "all 48 sets unclean: the capacity is there, a valid set is not yet"),
    ],
)
def test_all_with_help_and_all_unclean_are_said(of, name, words):
    row = of(name)
    assert words in row["warnings"]
    assert row["met_lately"] == 0
    assert row["met_expected"] == 0.0


def test_no_state_contradicts_its_chance(result):
    summary = result.summary.set_index("state")
    chance = summary["p_flat"] + summary["p_slipping"]
    assert {"flat", "climbing", "slipping"} <= set(chance.index)
    assert (chance[chance.index.isin(["flat", "slipping"])] >= 0.5).all()
    assert (chance[chance.index == "climbing"] <= 0.5).all()
