"""The rolling-origin run: no leak, nothing swallowed, the better forecaster wins."""

from __future__ import annotations

import copy
from dataclasses import replace
from types import SimpleNamespace

import joblib
import numpy as np
import pandas as pd
import pytest
from sklearn.base import BaseEstimator

from forecast.backtest import (
    ENGINE_NAMES,
    backtest,
    draw_cuts,
    forecast_at,
    load_backtest,
    open_at,
    outcomes_after,
    save_backtest,
    score_forecasts,
)
from forecast.backtest.baselines import BASELINES, straight_line
from forecast.errors import BacktestError, FitError, ForecastError, LogError
from forecast.histories import build_histories
from forecast.model import ReadinessForecaster


class Constant(BaseEstimator):
    """Everybody clears at the same weekly rate; remembers what it was shown."""

    seen: list = []  # noqa: RUF012  (clones of one test share it on purpose)

    def __init__(self, rate=0.08, fails=False, drop=0, horizon_weeks=None):
        self.rate = rate
        self.horizon_weeks = horizon_weeks
        self.fails = fails
        self.drop = drop

    def fit(self, log, *, as_of):
        if self.fails:
            raise FitError("would not converge")
        type(self).seen.append((log.sets["date"].max(), pd.Timestamp(as_of)))
        return self

    def fit_engines(self, log, as_of):
        return self.fit(log, as_of=as_of)

    def forecast(self, log, *, as_of):
        return self.forecast_each(log, as_of, ["pool"])["pool"]

    def forecast_each(self, log, as_of, engines):
        type(self).seen.append((log.sets["date"].max(), pd.Timestamp(as_of)))
        asked = open_at(build_histories(log, as_of=as_of))
        asked = asked.iloc[self.drop :]
        weeks = np.arange(1, 53)
        curve = asked.merge(pd.DataFrame({"week": weeks}), how="cross")
        factor = {"pool": 1.0, "growth": 0.5, "survival": 2.0, "unrecalibrated": 1.1}
        return {
            engine: SimpleNamespace(
                curve=curve.assign(
                    p_cleared=1 - np.exp(-self.rate * factor[engine] * curve["week"])
                )
            )
            for engine in engines
        }


CHEAP = ["straight_line", "cohort_curve"]


@pytest.fixture(scope="module")
def result(cohort):
    Constant.seen.clear()
    return backtest(cohort.log, cuts=2, model=Constant(), baselines=CHEAP, seed=1, n_resamples=60)


def test_nothing_on_or_after_the_cut_is_shown(result):
    assert Constant.seen
    assert all(last < as_of for last, as_of in Constant.seen)


def test_the_future_does_not_change_a_forecast(cohort, result):
    cut = result.cuts[0]
    log = cohort.log
    after = log.sets["date"] >= cut
    log.sets.loc[after, "value"] = 0.0
    again = backtest(log, cuts=list(result.cuts), model=Constant(), baselines=CHEAP, n_resamples=5)
    keys = ["forecaster", "athlete", "rung", "week"]
    first, second = (
        r.forecasts[r.forecasts["as_of"] == cut].sort_values(keys)["p_cleared"].to_numpy()
        for r in (result, again)
    )
    assert np.array_equal(first, second)


def test_same_seed_same_numbers_and_the_model_is_left_alone(cohort, result):
    model = Constant()
    again = backtest(cohort.log, cuts=2, model=model, baselines=CHEAP, seed=1, n_resamples=60)
    for name in ("scores", "differences", "forecasts", "calibration", "outcomes"):
        pd.testing.assert_frame_equal(getattr(result, name), getattr(again, name))
    assert not [name for name in vars(model) if name.endswith("_")]


def test_engines_are_scored_alone(result):
    assert set(result.scores["forecaster"]) == {
        "model",
        "growth alone",
        "survival alone",
        "pool without recalibration",
        "straight_line",
        "cohort_curve",
    }


def test_tables_hold_what_they_promise(result):
    scores = result.scores
    assert len(scores) == 6 * 12
    known = scores.dropna(subset=["value"])
    assert (known["low"] <= known["high"]).all()
    inside = (known["value"] >= known["low"] - 1e-9) & (known["value"] <= known["high"] + 1e-9)
    assert inside.mean() > 0.9
    assert len(result.differences) == 15 * 12
    per_curve = result.forecasts.groupby(["forecaster", "as_of", "athlete", "rung"]).size()
    assert (per_curve == 52).all()
    assert len(per_curve) == 6 * len(result.outcomes)
    shares = result.calibration.query("check == 'pit'").groupby("forecaster")["observed"].sum()
    np.testing.assert_allclose(shares, 1)


def test_a_difference_is_the_difference_of_the_scores(result):
    value = result.scores.set_index(["forecaster", "score"])["value"]
    for row in result.differences.itertuples():
        gap = value[row.forecaster, row.score] - value[row.against, row.score]
        assert row.difference == pytest.approx(gap, nan_ok=True)


def test_the_spreadsheet_loses_to_the_cohort(result):
    gaps = result.differences.set_index(["forecaster", "against", "score"])
    gap = gaps.loc[("straight_line", "cohort_curve", "crps_weeks")]
    assert gap["low"] > 0


def test_summary_names_every_forecaster_and_the_failures(cohort):
    answer = backtest(
        cohort.log, cuts=2, model=Constant(fails=True), baselines=CHEAP, n_resamples=5
    )
    text = answer.summary()
    one, other = (str(cut.date()) for cut in answer.cuts)
    assert text.count(f"Failed: model at {one}, {other}: ") == 1  # a reason is told once
    assert "would not converge" in text
    assert set(answer.failures["forecaster"]) == {"model", *ENGINE_NAMES.values()}
    assert all(name in text for name in CHEAP)


def test_a_spell_left_out_is_counted(cohort):
    answer = backtest(cohort.log, cuts=1, model=Constant(drop=3), baselines=CHEAP, n_resamples=5)
    assert answer.failures["reason"].str.contains("no curve for 3 of").all()
    n = answer.table().loc[["model", "straight_line"], "n"]
    assert n["model"] < n["straight_line"]
    paired = answer.differences.query("forecaster == 'model'")
    assert (paired["n"] == n["model"]).all()


def test_when_all_fail_it_says_why(cohort):
    with pytest.raises(BacktestError, match="would not converge"):
        backtest(cohort.log, cuts=1, model=Constant(fails=True), baselines=False)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"baselines": False}, "nothing to score"),
        ({"baselines": ["tea_leaves"]}, "tea_leaves"),
        ({"cuts": []}, "one cut date"),
        ({"cuts": ["1999-01-01"]}, "outside the log"),
        ({"cuts": "1999-01-01"}, "outside the log"),
        ({"cuts": ["03/04/2025"]}, "is not a date"),
        ({"cuts": [pd.NaT]}, "is not a date"),
        ({"cuts": 1.5}, "is not a date"),
        ({"horizon_weeks": 0}, "horizon_weeks = 0"),
        ({"horizon_weeks": 4.5}, "horizon_weeks = 4.5"),
        ({"model": ReadinessForecaster(horizon_weeks=10), "horizon_weeks": 20}, "10 weeks ahead"),
        ({"n_resamples": 0}, "n_resamples = 0"),
    ],
)
def test_what_cannot_be_run_is_named_before_any_fit(cohort, options, message):
    def never(known):
        raise AssertionError("a fit was made first")

    with pytest.raises(BacktestError, match=message):
        backtest(cohort.log, **{"baselines": {"never": never}, **options})


def test_an_empty_log_and_what_is_no_log_are_refused(cohort):
    log = cohort.log
    with pytest.raises(BacktestError, match="no usable set"):
        backtest(replace(log, sets=log.sets.iloc[:0]), cuts=["2025-01-01"], baselines=CHEAP)
    with pytest.raises(LogError, match="DataFrame was given"):
        backtest(log.sets, cuts=1, baselines=CHEAP)


def test_one_date_and_one_name_need_no_list_and_the_horizon_is_the_models_own(cohort):
    cut = draw_cuts(cohort.log, 1)[0]
    model = Constant(horizon_weeks=20)
    answer = backtest(cohort.log, str(cut.date()), model, "cohort_curve", n_resamples=5)
    assert answer.cuts == (cut,)
    assert answer.horizon_weeks == 20
    assert "cohort_curve" in set(answer.scores["forecaster"])
    assert answer.forecasts["week"].max() == 20


def test_the_real_model_forecasts_the_same_whatever_came_after_the_cut(
    small_log, small_cut, small_model, small_result, with_sets
):
    """Fits and forecasts inside a backtest equal those of a log that ends at the cut."""
    sets = small_log.sets.copy()
    late = sets["date"] >= small_cut
    assert late.sum() > 100
    sets.loc[late, ["value", "clean", "assisted", "stopped"]] = [99.0, True, False, "target"]
    cheap = {
        name: BASELINES[name] for name in ("straight_line", "cohort_curve", "weibull_landmark")
    }
    asked = {"baselines": cheap, "engines": False, "horizon_weeks": 30}
    answer = forecast_at(with_sets(small_log, sets), small_cut, model=small_model, **asked)
    before = forecast_at(small_log.before(small_cut), small_cut, **asked).forecasts
    ours = answer.forecasts.query("forecaster == 'model'")
    theirs = answer.forecasts.drop(ours.index).reset_index(drop=True)
    pd.testing.assert_frame_equal(theirs, before, check_exact=True)
    assert set(before["forecaster"]) == {*cheap}
    said = small_result.curve.merge(answer.asked, on=["athlete", "rung"])
    said = said.sort_values(["athlete", "rung", "week"])
    assert np.array_equal(ours["p_cleared"], said["p_cleared"])


def test_the_pool_without_recalibration_is_the_pool_when_nothing_was_learnt(
    small_log, small_cut, small_model
):
    raw = small_model.forecast(small_log, small_cut, engine="unrecalibrated").curve
    whole = small_model.forecast(small_log, small_cut).curve
    assert not np.array_equal(raw["p_cleared"], whole["p_cleared"])
    idle = copy.copy(small_model)
    even = replace(small_model.engines_.combiner, shift=0.0, drift=0.0, log_stretch=0.0)
    idle.engines_ = replace(small_model.engines_, combiner=even)
    again = idle.forecast(small_log, small_cut).curve
    assert np.array_equal(raw["p_cleared"], again["p_cleared"])


def test_summary_tables_say_what_the_tables_hold(result):
    text = result.summary()
    value = result.scores.set_index(["forecaster", "score"])
    row = value.loc[("cohort_curve", "crps_weeks")]
    assert f"{row['value']:.2f} ({row['low']:.2f} to {row['high']:.2f})" in text
    row = value.loc[("cohort_curve", "coverage_80")]
    assert f"{100 * row['value']:.0f} % ({100 * row['low']:.0f} to" in text
    gap = result.differences.set_index(["forecaster", "against", "score"])
    row = gap.loc[("model", "cohort_curve", "crps_weeks")]
    assert f"{row['difference']:+.2f} ({row['low']:+.2f} to {row['high']:+.2f})" in text
    assert "below 0 the model is better" in text
    for words in ("CRPS, weeks", "4 weeks", "8 weeks", "12 weeks", "26 weeks", "50 % range"):
        assert words in text
    # First paragraph: what was done, for the analyst's page.
    assert text.split("\n\n")[0].startswith("Backtest at 2 blind cut dates")
    blocks = text.split("\n\n")[1:-1]
    assert all(max(map(len, block.splitlines())) <= 130 for block in blocks)


def test_without_a_model_nothing_is_compared_with_it(cohort):
    answer = backtest(cohort.log, cuts=1, baselines=CHEAP, n_resamples=5)
    assert "less each of the others" not in answer.summary()


def test_a_forecaster_that_gives_no_curve_is_refused(cohort):
    cut = draw_cuts(cohort.log, 1)[0]

    def broken(known):
        answer = straight_line(known)
        answer.curve.loc[0, "p_cleared"] = np.nan
        return answer

    with pytest.raises(BacktestError, match="missing or not between"):
        forecast_at(cohort.log, cut, baselines={"broken": broken})


def test_progress_is_told_and_changes_nothing(cohort, result):
    said = []
    cut = result.cuts[0]
    forecast_at(cohort.log, cut, baselines={}, model=Constant(), progress=said.append)
    assert len(said) == 4
    assert str(cut.date()) in said[0]


def test_a_log_cut_short_turns_late_clearings_into_losses_and_leaves_early_ones(cohort):
    log = cohort.log
    cut = log.sets["date"].min() + pd.Timedelta(weeks=40)
    asked = open_at(build_histories(log.before(cut), as_of=cut))
    whole = outcomes_after(log, cut, asked)
    short = outcomes_after(log.before(cut + pd.Timedelta(weeks=12)), cut, asked)
    assert 0 < short["cleared"].sum() < whole["cleared"].sum()
    both = short["cleared"]
    assert np.array_equal(short.loc[both, "weeks"], whole.loc[both, "weeks"])
    # A lapse shows only later, so until then the athlete counts as followed.
    rest = ~both & (whole["ended_by"] != "lapsed")
    assert (short.loc[rest, "weeks"] <= whole.loc[rest, "weeks"]).all()
    assert short["weeks"].max() <= 12


def test_scores_of_a_log_cut_short_are_near_those_of_the_whole(cohort):
    """Weighting must do better than taking losses for clearings would."""
    log = cohort.log
    cut = log.sets["date"].min() + pd.Timedelta(weeks=40)
    asked = open_at(build_histories(log.before(cut), as_of=cut))
    answers = [forecast_at(log, cut, model=Constant(), baselines={}, engines=False)]
    brier = {}
    for name, end in (("whole", 40), ("short", 16)):
        came = outcomes_after(log.before(cut + pd.Timedelta(weeks=end)), cut, asked)
        scores = score_forecasts(answers, came, n_resamples=5).scores
        brier[name] = scores.set_index("score").loc["brier_12", "value"]
    assert brier["short"] == pytest.approx(brier["whole"], abs=0.02)


@pytest.mark.parametrize("backend", ["loky", "threading"])
def test_workers_change_no_figure(cohort, result, backend):
    with joblib.parallel_config(backend=backend, n_jobs=2):
        again = backtest(
            cohort.log, cuts=2, model=Constant(), baselines=CHEAP, seed=1, n_resamples=60
        )
    for name in ("scores", "differences", "forecasts", "calibration", "outcomes"):
        pd.testing.assert_frame_equal(getattr(result, name), getattr(again, name))


def test_a_kept_backtest_comes_back_whole_and_the_same(result, tmp_path):
    first, second = (save_backtest(result, tmp_path / f"{n}.zip") for n in "ab")
    assert first.read_bytes() == second.read_bytes()
    again = load_backtest(first)
    assert again.summary() == result.summary()
    assert again.verdict == result.verdict
    assert again.cuts == result.cuts
    for name in ("scores", "differences", "forecasts", "calibration", "outcomes", "failures"):
        pd.testing.assert_frame_equal(
            getattr(again, name), getattr(result, name).reset_index(drop=True), check_dtype=False
        )


def test_what_is_no_backtest_is_said_so(result, tmp_path):
    with pytest.raises(ForecastError, match=r"can't be read.*check the name"):
        load_backtest(tmp_path / "none.zip")
    (tmp_path / "scores.csv").write_text("forecaster,score", encoding="utf-8")
    with pytest.raises(ForecastError, match="not a backtest of this version"):
        load_backtest(tmp_path / "scores.csv")
    whole = save_backtest(result, tmp_path / "kept.zip").read_bytes()
    (tmp_path / "half.zip").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ForecastError, match="not a backtest of this version"):
        load_backtest(tmp_path / "half.zip")
