"""What must never change a forecast, and what a forecast must always keep (design, 5.10)."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from made_club import COHORT
from sklearn.base import clone

from forecast.errors import ForecastError
from forecast.simulate import simulate_cohort


def csv_bytes(result) -> bytes:
    """The three tables as CSV, as a person would save them."""
    return "".join(
        frame.to_csv(index=False) for frame in (result.summary, result.curve, result.reasons)
    ).encode("utf-8")


def renamed_back(result, new: dict[str, str]):
    """The result with old names again, in their order; ``new`` maps old to new."""
    old = {b: a for a, b in new.items()}
    frames = {}
    for name in ("summary", "curve", "reasons"):
        frame = getattr(result, name)
        frame = frame.assign(athlete=frame["athlete"].map(old))
        frames[name] = frame.sort_values("athlete", kind="stable").reset_index(drop=True)
    return dataclasses.replace(result, **frames)


@pytest.fixture(scope="module")
def forecast_anew(small_model):
    """Return a function: fit afresh on a log and forecast it, with the small model's settings."""

    def run(log, cut, **settings):
        model = clone(small_model).set_params(**settings)
        return model.fit(log, cut).forecast(log, cut)

    return run


def same(one, other):
    for name in ("summary", "curve", "reasons"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


# the future ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def corrupted(small_log, small_cut, with_sets):
    """The small log with everything dated on or after the cut turned to nonsense."""
    sets = small_log.sets.copy()
    late = sets["date"] >= small_cut
    assert late.sum() > 100
    sets.loc[late, "value"] = 999.0
    sets.loc[late, ["clean", "assisted", "stopped", "pain"]] = [True, False, "target", 10.0]
    extra = sets[late].assign(athlete="nobody before", set=sets.loc[late, "set"] + 40)
    extra = extra.drop_duplicates(["date", "rung", "set"])
    return with_sets(small_log, pd.concat([sets, extra]))


@pytest.fixture(scope="module")
def fitted_anew(corrupted, small_cut, forecast_anew):
    """A second fit and forecast, with the same seed, of what is known at the cut."""
    return forecast_anew(corrupted, small_cut)


def test_nothing_dated_on_or_after_the_cut_changes_a_fit(fitted_anew, small_result):
    same(fitted_anew, small_result)


def test_nor_a_forecast_by_a_fitted_model(corrupted, small_cut, small_model, small_result):
    same(small_model.forecast(corrupted, small_cut), small_result)


def test_a_log_cut_off_before_is_the_same_log(small_log, small_cut, small_model, small_result):
    same(small_model.forecast(small_log.before(small_cut), small_cut), small_result)


def test_how_the_cut_is_written_changes_nothing(small_log, small_cut, small_model, small_result):
    for when in (str(small_cut.date()), small_cut.as_unit("s")):
        same(small_model.forecast(small_log, when), small_result)
    last = small_log.before(small_cut).sets["date"].max()
    left_out = small_model.forecast(small_log.before(last + pd.Timedelta(days=1)))
    dates = left_out.summary[["date_low", "date_mid", "date_high"]]
    assert (dates.dtypes == small_result.summary["date_mid"].dtype).all()


def test_a_day_before_the_fit_is_refused_unless_asked_for_by_name(
    small_log, small_cut, small_model, small_result
):
    early = small_cut - pd.Timedelta(days=28)
    for log, when in ((small_log, early), (small_log.before(early), None)):
        with pytest.raises(ForecastError, match=r"has seen what came after .*in_hindsight"):
            small_model.forecast(log, when)
    told = small_model.in_hindsight()
    same(told.forecast(small_log, early), told.forecast(small_log.before(early), early))
    same(told.forecast(small_log, small_cut), small_result)
    with pytest.raises(ForecastError, match="has seen what came after"):
        small_model.forecast(small_log, early)  # asking once changes nothing for good


def test_the_day_of_the_cut_itself_is_not_used(
    small_log, small_cut, small_model, with_sets, small_result
):
    today = small_log.sets[small_log.sets["date"] < small_cut].groupby("athlete").tail(1)
    today = today.assign(date=small_cut, value=500.0, set=1)
    before = small_log.before(small_cut)
    log = with_sets(before, pd.concat([before.sets, today]))
    same(small_model.forecast(log, small_cut), small_result)


# other athletes -----------------------------------------------------------------------------


def test_other_athletes_asked_about_change_nothing(
    small_log, small_cut, small_model, small_result, with_sets
):
    asked = small_result.summary["athlete"].unique()
    for part in (asked[:1], asked[1::2], asked[-2:]):
        some = with_sets(small_log, small_log.sets[small_log.sets["athlete"].isin(part)])
        ours = small_model.forecast(some, small_cut)
        frames = {}
        for name in ("summary", "curve", "reasons"):
            whole = getattr(small_result, name)
            frames[name] = whole[whole["athlete"].isin(part)].reset_index(drop=True)
        expected = dataclasses.replace(small_result, **frames)
        same(ours, expected)
        assert csv_bytes(ours) == csv_bytes(expected)


# seeds --------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes(fitted_anew, small_result):
    assert csv_bytes(fitted_anew) == csv_bytes(small_result)


def test_another_seed_gives_nearly_the_same_chances(
    small_log, small_cut, small_result, forecast_anew
):
    other = forecast_anew(small_log, small_cut, random_state=8)
    assert csv_bytes(other) != csv_bytes(small_result)
    gap = other.curve["p_cleared"] - small_result.curve["p_cleared"]
    assert gap.abs().mean() < 0.03
    assert gap.abs().max() < 0.15


def test_neither_fit_nor_forecast_changes_the_log(small_log, small_cut, small_model):
    small_model.forecast(small_log, small_cut)  # and it was fitted to it
    as_made = simulate_cohort(**COHORT).log.sets
    pd.testing.assert_frame_equal(small_log.sets, as_made, check_exact=True)


# names and order ----------------------------------------------------------------------------


def test_neither_names_nor_the_order_of_rows_change_anything(
    small_log, small_cut, small_result, forecast_anew, with_sets
):
    names = small_log.athletes
    # Reversed, so that the order of names is another one too.
    new = {name: f"x{len(names) - n:03d}" for n, name in enumerate(names)}
    log = with_sets(small_log, small_log.sets.assign(athlete=small_log.sets["athlete"].map(new)))
    order = np.random.default_rng(2).permutation(len(log.sets))
    shuffled = log.sets.iloc[order].reset_index(drop=True)
    log = dataclasses.replace(log, sets=shuffled, roster=log.roster.rename(index=new))
    same(renamed_back(forecast_anew(log, small_cut), new), small_result)


def test_files_rows_and_notes_change_nothing(small_log, small_cut, small_model, small_result):
    sets = small_log.sets.assign(note="seen", file="another.csv")
    sets["row"] = np.arange(len(sets), dtype="int64")[::-1] + 2
    same(small_model.forecast(dataclasses.replace(small_log, sets=sets), small_cut), small_result)


# a forecast's own laws ----------------------------------------------------------------------


@pytest.mark.parametrize("engine", ["pool", "growth", "survival"])
def test_chances_never_fall_and_stay_between_0_and_1(small_model, small_log, small_cut, engine):
    curve = small_model.forecast(small_log, small_cut, engine=engine).curve
    assert curve["p_cleared"].between(0.0, 1.0).all()
    steps = curve.groupby(["athlete", "rung"])["p_cleared"].diff().dropna()
    assert len(steps) > 100
    assert (steps >= 0).all()


def test_summary_curve_and_points_say_the_same(small_result):
    wide = small_result.curve.pivot(index=["athlete", "rung"], columns="week", values="p_cleared")
    summary = small_result.summary.set_index(["athlete", "rung"]).reindex(wide.index)
    for week in (4, 8, 12, 26):
        np.testing.assert_allclose(summary[f"p_{week}"], wide[week], atol=1e-9)
    never = summary["p_never_in_horizon"]
    np.testing.assert_allclose(never, 1.0 - wide[small_result.horizon_weeks], atol=2e-6)
    for name, share in (("low", 0.1), ("mid", 0.5), ("high", 0.9)):
        weeks = summary[f"weeks_{name}"]
        assert (weeks.isna() == (wide[small_result.horizon_weeks] < share)).all()
        for key, week in weeks.dropna().items():
            after = min(int(np.ceil(week)), small_result.horizon_weeks)
            assert wide.loc[key, max(after, 1)] >= share - 1e-6
            if np.floor(week - 0.01) >= 1:
                assert wide.loc[key, int(np.floor(week - 0.01))] <= share + 1e-6
        days = (summary[f"date_{name}"] - small_result.as_of).dt.days
        np.testing.assert_allclose(days.dropna() / 7.0, weeks.dropna(), atol=0.1)


def test_one_row_for_each_open_rung(small_result):
    keys = small_result.summary[["athlete", "rung"]]
    assert not keys.duplicated().any()
    free = small_result.summary["on_hold"].isna().sum()
    assert len(small_result.curve) == free * small_result.horizon_weeks
    told = small_result.reasons[["athlete", "rung"]].drop_duplicates().reset_index(drop=True)
    pd.testing.assert_frame_equal(told, keys.reset_index(drop=True))


def test_a_load_that_cannot_be_checked_is_said_and_changes_no_figure(
    small_log, small_cut, small_model, small_result
):
    key = small_result.summary["rung"].iloc[0]
    rungs = tuple(
        dataclasses.replace(
            rung,
            criterion=dataclasses.replace(rung.criterion, load_kg=None, load_bodyweight=0.3),
        )
        if rung.key == key
        else rung
        for rung in small_log.ladder.rungs
    )
    ladder = dataclasses.replace(small_log.ladder, rungs=rungs)
    log = dataclasses.replace(small_log, ladder=ladder, sets=small_log.sets.assign(load_kg=np.nan))
    told = small_model.forecast(log, small_cut).summary
    said = told["warnings"].str.contains("no body mass in the roster")
    assert (said == ((told["rung"] == key) & (told["sessions"] > 0))).all()
    assert said.any()
    known = dataclasses.replace(
        log,
        roster=pd.DataFrame({"body_mass_kg": 60.0}, index=pd.Index(log.athletes, name="athlete")),
    )
    silent = small_model.forecast(known, small_cut).summary
    assert not silent["warnings"].str.contains("body mass").any()
    numbers = [name for name in told.columns if name != "warnings"]
    pd.testing.assert_frame_equal(told[numbers], silent[numbers], check_exact=True)


def test_a_level_is_told_in_its_unit_one_and_many(small_result, small_log):
    measure = {rung.key: rung.criterion.measure for rung in small_log.ladder.rungs}
    told = small_result.reasons[small_result.reasons["text"].str.contains("at about")]
    reps = told[told["rung"].map(measure) == "reps"]["text"].str.extract(
        r"at about (\d+)\u00a0(reps?)\b"
    )
    assert (reps[0].eq("1") == reps[1].eq("rep")).all()
    assert set(reps[1]) == {"rep", "reps"}
    holds = told[told["rung"].map(measure) == "seconds"]["text"]
    assert holds.str.contains(r"at about \d+(?:\.\d)?\u00a0s\b").all()
    assert len(holds) > 1
