"""Away is not gone: whoever has an open rung is answered, however long they have been away."""

from __future__ import annotations

import numpy as np
import pandas as pd


def test_nobody_with_an_open_rung_is_missing(small_model, small_log, small_cut):
    log = small_log.before(small_cut)
    late = small_cut + pd.Timedelta(weeks=400)
    now = small_model.forecast(log, small_cut).summary
    years_later = small_model.forecast(log, late).summary
    assert set(now["athlete"]) <= set(years_later["athlete"])
    assert np.isfinite(years_later[["p_26", "p_lapse_26", "level"]].to_numpy()).all()
    assert years_later["p_lapse_26"].median() > now["p_lapse_26"].median()


def test_an_absence_is_said_with_how_others_came_back(small_model, small_log, small_cut):
    log = small_log.before(small_cut)
    result = small_model.forecast(log, small_cut + pd.Timedelta(weeks=10))
    away = result.reasons[result.reasons["what"] == "away"]
    long = away[away["value"] > 4.0]
    assert len(long)
    said = long["text"].str
    assert (said.contains("half were back within") | said.contains("is a guess")).all()


def test_time_away_puts_the_date_off(small_model, small_log, small_cut):
    log = small_log.before(small_cut)
    now = small_model.forecast(log, small_cut, engine="growth").summary
    begun = now[now["sessions"] > 0].set_index(["athlete", "rung"])["p_4"]
    later = small_model.forecast(
        log, small_cut + pd.Timedelta(weeks=13), engine="growth"
    ).summary.set_index(["athlete", "rung"])["p_4"]
    assert later.reindex(begun.index).mean() < begun.mean()
