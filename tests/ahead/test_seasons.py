"""Rungs to come begin at another time of the year than the cut: so do their middle days."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecast.ahead.ladder import look_up, settings_of
from forecast.ahead.walk import SEASONS, at_season, walk
from forecast.log import YEAR_DAYS


def test_middle_days_go_round_the_year():
    by_season = np.array([[10.0, 40.0, 20.0, 5.0], [7.0, 7.0, 7.0, 7.0]])
    quarter = YEAR_DAYS / 4
    days = np.array([[0.0, 1.0, 2.5, 3.5, 4.0, 9.0], [0.0, 0.3, 1.0, 2.2, 8.0, 9.9]]) * quarter
    found = at_season(by_season, days)
    expected = [10.0, 40.0, np.sqrt(20.0 * 5.0), np.sqrt(5.0 * 10.0), 10.0, 40.0]
    np.testing.assert_allclose(found[0], expected)
    np.testing.assert_allclose(found[1], 7.0)


def test_a_strong_season_shows_in_rungs_to_come(light_model, small_log, small_cut):
    """Training planted to count double at one time of the year and nearly nothing at the other."""
    ground, pooled, _ = look_up(light_model.view(small_log, small_cut))
    fit = ground.model.fit
    turn = 2.0 * np.pi * ground.cut / YEAR_DAYS
    season = {"season_cos": 0.9 * np.cos(turn), "season_sin": 0.9 * np.sin(turn)}
    constants = replace(fit.constants, values=fit.constants.values | season, seasonal=True)
    model = replace(ground.model, fit=replace(fit, constants=constants))
    planted = walk(replace(ground, model=model), settings_of(light_model, 120), pooled=pooled)
    rungs = ground.standing.ahead & ~ground.standing.under_way
    middle = planted.middle[rungs]
    assert middle.shape[1] == SEASONS
    # The good season begins a quarter before the cut and ends a quarter after it.
    quick = middle.min(axis=1) < 60.0
    assert quick.sum() > 5
    assert np.median(middle[quick, 1] / middle[quick, 3]) > 1.5
    plain = walk(ground, settings_of(light_model, 120), pooled=pooled).middle[rungs]
    assert np.median(plain.max(axis=1) / plain.min(axis=1)) == pytest.approx(1.0, abs=0.35)
