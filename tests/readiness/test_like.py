"""Another club's fitted model, and the coach's own expectation, as prior."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import forecast as fc
from forecast.errors import ForecastError
from forecast.simulate import simulate_cohort

SMALL = {"horizon_weeks": 30, "draws": 16, "paths": 256}


@pytest.fixture(scope="module")
def club():
    """Four athletes of another club on the same ladder."""
    return simulate_cohort("steady", 4, seed=8, weeks=30, follow_up=0).log


@pytest.fixture(scope="module")
def plain(club):
    return fc.ReadinessForecaster(**SMALL).fit(club)


@pytest.fixture(scope="module")
def leaning(club, small_model):
    return fc.ReadinessForecaster(**SMALL).fit(club, like=small_model)


def test_what_was_borrowed_is_said_and_kept(leaning, small_model, tmp_path):
    borrowed = leaning.borrowed_
    assert borrowed.athletes == small_model.athletes_
    assert borrowed.rungs == small_model.rungs_
    assert 0 < borrowed.trust < 1
    assert "another club's model of 12 athletes" in repr(leaning)
    again = fc.load_model(leaning.save(tmp_path / "leaning.zip"))
    assert again.borrowed_ == borrowed
    assert repr(again) == repr(leaning)


def test_a_small_club_moves_toward_the_other(leaning, plain, small_model, club):
    theirs, alone, now = (
        model.engines_.combiner.weights for model in (small_model, plain, leaning)
    )
    assert np.abs(now - theirs).sum() < np.abs(alone - theirs).sum()
    chances = [model.forecast(club).summary["p_12"].to_numpy() for model in (plain, leaning)]
    assert not np.array_equal(*chances)


def test_without_another_club_nothing_is_borrowed(plain, club, small_model):
    assert plain.borrowed_ is None
    assert "another club" not in repr(plain)
    once_more = fc.ReadinessForecaster(**SMALL).fit(club, like=small_model).fit(club)
    assert once_more.borrowed_ is None
    one, two = (m.forecast(club).summary["p_12"].to_numpy() for m in (plain, once_more))
    assert np.array_equal(one, two, equal_nan=True)


def test_only_rungs_of_the_same_key_are_taken(club, small_model):
    rungs = tuple(
        dataclasses.replace(
            rung, key=f"my_{rung.key}", needs=tuple(f"my_{k}" for k in rung.needs), fallback=None
        )
        for rung in club.ladder.rungs
    )
    sets = club.sets.assign(rung="my_" + club.sets["rung"])
    renamed = dataclasses.replace(
        club, sets=sets, ladder=dataclasses.replace(club.ladder, rungs=rungs)
    )
    model = fc.ReadinessForecaster(**SMALL).fit_engines(renamed, like=small_model)
    assert model.borrowed_.rungs == ()
    assert model.forecast(renamed).summary["p_12"].dropna().between(0, 1).all()


@pytest.mark.parametrize("other", ["other.zip", fc.ReadinessForecaster()])
def test_what_is_no_fitted_forecaster_is_refused(club, other):
    with pytest.raises(ForecastError, match="another club's fitted forecaster"):
        fc.ReadinessForecaster().fit(club, like=other)


def expecting(log, weeks):
    rungs = tuple(dataclasses.replace(rung, usual_weeks=weeks) for rung in log.ladder.rungs)
    return dataclasses.replace(log, ladder=dataclasses.replace(log.ladder, rungs=rungs))


def test_longer_expectations_make_a_thin_club_later(club):
    first = club.before(club.sets["date"].min() + np.timedelta64(6, "W"))
    quick, slow = (
        fc.ReadinessForecaster(**SMALL).fit_engines(log).forecast(log, engine="growth").summary
        for log in (expecting(first, (2.0, 5.0)), expecting(first, (20.0, 60.0)))
    )
    assert quick["p_12"].mean() > slow["p_12"].mean() + 0.02
