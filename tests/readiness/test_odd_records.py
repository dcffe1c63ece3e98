"""Odd records of one athlete: the answer a coach would believe, and nothing that is not finite."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from slow import day_and_night

from forecast.growth import track
from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.model import ReadinessForecaster

DAY0 = pd.Timestamp("2025-01-06")


def ladder_of(measure, target):
    return Ladder(
        "Two rungs",
        (
            Rung("one", "One", "base", Criterion(measure, float(target))),
            Rung("two", "Two", "top", Criterion("seconds", 10.0), needs=("one",)),
        ),
    )


def ask(measure, target, sessions, *, per_week=2.0, as_of=None, **columns):
    """Fit on one athlete's sessions, each a list of values, and return the row and the level."""
    rows = [
        {
            "athlete": "Bo",
            "rung": "one",
            "date": str((DAY0 + pd.Timedelta(days=round(7 * i / per_week))).date()),
            "value": value,
            "stopped": "failed",
            **columns,
        }
        for i, values in enumerate(sessions)
        for value in values
    ]
    log = read_log(pd.DataFrame(rows), ladder_of(measure, target))
    model = ReadinessForecaster(draws=16, paths=512).fit(log, as_of)
    result = model.forecast(log, as_of)
    numbers = result.summary[["level", "level_value", "gain_per_week"]]
    assert np.isfinite(numbers.to_numpy(float)).all()
    tracked = track(model.engines_.growth, build_histories(log, as_of))
    assert np.isfinite(tracked.filtered.mean).all()
    return result.summary.iloc[0]


STEADY = [
    (g, w, noise) for g, w in ((0.05, 5.2), (0.04, 7.4), (0.03, 9.1)) for noise in (0.0, 0.05)
]


@pytest.mark.parametrize(
    ("gain", "weeks", "noise"), day_and_night(STEADY, {(0.05, 5.2, 0.0), (0.03, 9.1, 0.05)})
)
def test_a_steady_climb_is_carried_on(gain, weeks, noise):
    rng = np.random.default_rng(0)
    left = 30.0 + weeks - np.arange(60) / 2.0
    values = np.round(20 * np.exp(-gain * left[:, None] + noise * rng.standard_normal((60, 3))), 1)
    row = ask("seconds", 20, values, as_of=DAY0 + pd.Timedelta(weeks=30))
    # Noise gives a good day early: clearing takes one, the line does not.
    assert weeks - (0.8 if noise == 0 else 2.2) < row["weeks_mid"] < weeks + 0.8
    assert row["weeks_low"] - 0.3 < weeks < row["weeks_high"] + 0.3


def test_all_misses_are_far_from_the_mark():
    row = ask("cm", 400, [[0, 0, 0]] * 12)
    assert row["level_value"] < 1.0
    assert row["p_26"] < 0.05


def test_ones_and_misses_under_a_mark_of_three_carry_no_gain():
    """191 of 192 sets of one repetition, or none: nothing moved, so there is no pace."""
    made = np.ones((64, 3))
    made[np.random.default_rng(0).random((64, 3)) < 0.4] = 0.0
    made[50, 1] = 2.0
    row = ask("reps", 3, made)
    assert row["state"] == "flat"
    assert abs(row["gain_lately"]) < 0.005
    assert row["gain_ahead"] < 0.005
    assert np.isnan(row["weeks_mid"])
    assert row["p_26"] < 0.1


@pytest.mark.parametrize("columns", [{"assist": "band"}, {"clean": "no"}], ids=["band", "unclean"])
def test_what_never_counted_is_no_readiness(columns):
    row = ask("seconds", 10, [[9, 10, 11]] * 16, **columns)
    assert row["p_next_session"] < 0.08
    assert row["p_4"] < 0.40
    assert row["p_12"] < 0.65


def test_just_below_the_mark_for_nine_weeks():
    rng = np.random.default_rng(0)
    row = ask("seconds", 10, rng.choice([9.0, 9.5], (27, 3)), per_week=3.0)
    assert row["level_value"] <= 9.5
    assert row["p_next_session"] < 0.10
    assert row["p_4"] < 0.50


def test_seven_of_eight_is_not_eight():
    row = ask("reps", 8, [[7, 6, 6]] * 20)
    assert row["level_value"] <= 7.0
    assert row["p_4"] < 0.15


def test_ten_per_cent_a_week():
    rng = np.random.default_rng(0)
    rise = 15 * np.exp(0.1 * np.arange(27)[:, None] / 3.0 + 0.04 * rng.standard_normal((27, 3)))
    row = ask("seconds", 60, np.round(rise), per_week=3.0)
    assert row["gain_per_week"] == pytest.approx(0.10, abs=0.015)
    assert row["weeks_low"] < 4.8 < row["weeks_high"]
    assert row["weeks_mid"] == pytest.approx(4.8, abs=1.5)


@pytest.mark.parametrize("target", day_and_night([6000, 1e6], [1e6]))
def test_doubling_every_week_is_finite(target):
    row = ask("seconds", target, np.round(2.0 * 2.0 ** (np.arange(18)[:, None] / 2.0)))
    assert abs(row["gain_per_week"]) < 1.5
    assert 0 < row["level_value"] < 2000


def test_heavy_tailed_days_written_to_five_seconds_are_finite():
    rng = np.random.default_rng(3)
    days = 0.12 * rng.standard_t(3, (40, 1)) + 0.15 * rng.standard_normal((40, 2))
    held = 30 * np.exp(-1.0 + 0.02 * np.arange(40)[:, None] / 2 + days)
    row = ask("seconds", 90, np.where(held < 1, 0, 5 * np.round(held / 5)))
    assert 5 < row["level_value"] < 30
