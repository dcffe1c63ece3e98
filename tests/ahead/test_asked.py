"""What can be asked of a look up the ladder, and with what sentence the rest is refused."""

from __future__ import annotations

import copy

import pandas as pd
import pytest

from forecast.ahead import fallbacks, ladder_ahead, retests, settings_of, what_if
from forecast.errors import ForecastError, HistoryError, LogError, NotFittedError
from forecast.model import ReadinessForecaster

NO_NUMBERS = ["3", None, [3], {}, b"3", 3j, True, float("nan"), float("inf"), -1]


@pytest.mark.parametrize("value", [*NO_NUMBERS, 0, 2.5, 1041, 10**400])
def test_horizons_that_are_no_whole_weeks_are_refused(small_model, small_log, value):
    with pytest.raises(ForecastError, match=r"horizon_weeks = .*; give a whole number of weeks"):
        ladder_ahead(small_model, small_log, horizon_weeks=value)


@pytest.mark.parametrize("value", [*NO_NUMBERS, 0, 7.5, 10**400])
def test_rates_that_are_none_are_refused(small_model, small_log, value):
    refused = pytest.raises(ForecastError, match=r"sessions_per_week = .*; give a number above 0")
    with refused:
        what_if(small_model, small_log, sessions_per_week=[2, value])
    if value is not None:
        with refused:
            ladder_ahead(small_model, small_log, sessions_per_week=value)


@pytest.mark.parametrize("value", ["234", b"2", None, 3.0, [], {}])
def test_what_is_no_list_of_rates_is_refused(small_model, small_log, value):
    with pytest.raises(ForecastError, match=r"give a list of one rate or more"):
        what_if(small_model, small_log, sessions_per_week=value)


@pytest.mark.parametrize("value", NO_NUMBERS)
def test_drops_that_are_no_numbers_are_refused(small_model, small_log, small_cut, value):
    with pytest.raises(ForecastError, match=r"least_drop = .*log units"):
        retests(small_model, small_log, small_cut, least_drop=value)


def test_numbers_in_range_are_taken_in_any_numeric_type(light_model, small_log, small_cut):
    asked = light_model, small_log, small_cut, small_log.athletes[0]
    numbers = pd.Series([2.0, 3.0])
    table = what_if(*asked, sessions_per_week=numbers, horizon_weeks=numbers[0]).table
    assert set(table.loc[~table["as_now"], "sessions_per_week"]) == {2.0, 3.0}


@pytest.mark.parametrize("date", ["03/04/2025", "soon", None, float("nan"), pd.NaT, [1], 20250403])
def test_no_order_of_day_and_month_is_guessed(small_ahead, date):
    with pytest.raises(ForecastError, match=r"date = .* is not a date; write it as"):
        small_ahead.chance_by(date)


def test_target_and_cut_dates_are_never_guessed(light_model, small_log):
    athlete = small_log.athletes[0]
    with pytest.raises(ForecastError, match=r"target_date = '03/04/2025' is not a date"):
        ladder_ahead(light_model, small_log, target_date="03/04/2025")
    with pytest.raises(HistoryError, match=r"as_of = '03/04/2024' is not a date"):
        what_if(light_model, small_log, "03/04/2024", athlete)


def test_a_drop_out_of_range_is_refused(small_model, small_log, small_cut):
    with pytest.raises(ForecastError, match="least_drop = 'much'"):
        retests(small_model, small_log, small_cut, least_drop="much")


def test_without_a_fit_or_a_log_everything_says_so(small_model, small_log, small_cut):
    plain = ReadinessForecaster()
    with pytest.raises(NotFittedError, match="fit"):
        what_if(plain, small_log, small_cut, small_log.athletes[0])
    for look in (fallbacks, retests):
        with pytest.raises(NotFittedError, match="fit"):
            look(plain, small_log)
        with pytest.raises(LogError, match="where a log is needed"):
            look(small_model, small_log.sets)


@pytest.mark.parametrize("athlete", [None, ["a"], 5])
def test_an_athlete_that_is_no_name_is_refused(light_model, small_log, athlete):
    with pytest.raises(ForecastError, match="is not in the log"):
        what_if(light_model, small_log, None, athlete)


def test_a_walk_takes_no_more_paths_than_it_needs(small_model, light_model):
    many = copy.copy(small_model).set_params(paths=4096, draws=64)
    usual = settings_of(many, 10)
    assert (usual.paths, usual.draws) == (512, 16)
    fewer = settings_of(light_model, 10)
    assert (fewer.paths, fewer.draws) == (light_model.paths, light_model.draws)
