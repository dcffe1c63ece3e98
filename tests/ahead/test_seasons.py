"""Rungs to come begin at another time of the year than the cut: so do their days."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forecast.ahead import look_up, settings_of, walk
from forecast.types import YEAR


def test_a_strong_season_shows_in_rungs_to_come(light_model, small_log, small_cut):
    """Training planted to count double at one time of the year and nearly nothing at the other."""
    ground, pooled, _ = look_up(light_model.view(small_log, small_cut))
    tracked, settings = ground.walker.tracked, settings_of(light_model, 120)
    fit, turn = tracked.model.fit, 2.0 * np.pi * ground.cut / YEAR
    walks = []
    for size in (0.9, -0.9):  # the good half of the year begins a quarter before the cut, or after
        season = {"season_cos": size * np.cos(turn), "season_sin": size * np.sin(turn)}
        constants = replace(fit.constants, values=fit.constants.values | season, seasonal=True)
        model = replace(tracked.model, fit=replace(fit, constants=constants))
        walker = replace(ground.walker, tracked=replace(tracked, model=model))
        walks.append(walk(replace(ground, walker=walker), settings, pooled=pooled))
    rungs = ground.standing.ahead & ~ground.standing.under_way
    # Paths on which a rung begins soon after the cut, whatever the season makes of the one before.
    begins = [(walked.cleared - walked.climbing)[rungs] for walked in walks]
    days = [walked.climbing[rungs] for walked in walks]
    soon = (begins[0] < 30.0) & (begins[1] < 30.0)
    assert soon.sum() > 200
    quarters = [np.quantile(part[soon], 0.25) for part in days]
    assert quarters[1] > 1.3 * quarters[0]
