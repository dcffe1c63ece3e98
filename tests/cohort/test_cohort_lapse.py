from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from forecast.cohort import hazard_of, lapse_chance, lapse_hazard, lapse_incidence
from forecast.errors import ForecastError, NotFittedError
from forecast.model import ReadinessForecaster
from forecast.readiness import FEATURES, design_of
from forecast.readiness.lapse import fit_lapse
from forecast.readiness.rules import PRIOR_CHANCE


def test_clearing_and_lapse_share_the_spells(make_log):
    rows = [("a", "one", 30, 5.0), ("a", "one", 44, 12.0)]  # cleared after two weeks
    rows += [("b", "one", 30, 5.0), ("b", "one", 37, 5.0)]  # lapsed after one
    rows += [("c", "one", 30 + 7 * i, 5.0) for i in range(25)]  # still at it
    found = lapse_incidence(make_log(rows))
    shares = found.curves["one"].at([2]).loc[2]
    assert shares["cleared"] == pytest.approx(1 / 3)
    assert shares["lapsed"] == pytest.approx(1 / 3)
    assert found.n_left_out == 1


def test_shares_add_up_to_one(small_log):
    found = lapse_incidence(small_log)
    for curve in found.curves.values():
        np.testing.assert_allclose(curve.incidence.sum(axis=1) + curve.survival, 1.0)
    assert set(found.frame().columns) >= {"group", "week", "kind", "p_ended", "p_low", "p_high"}


def invented_days(seed, athletes=150, effect=2.0, usual=-4.0):
    """Training days whose last one comes by a known logit in flatness."""
    rng = np.random.default_rng(seed)
    rows = []
    for athlete in range(athletes):
        for day in range(120):
            flat = rng.uniform(-0.5, 0.5)
            gone = rng.random() < expit(usual + effect * flat)
            rows.append((athlete, flat, rng.normal(), 0.0, np.log1p(day / 3), day % 2, gone))
            if gone:
                break
    days = pd.DataFrame(rows, columns=["athlete_id", *FEATURES, "lapsed"])
    days["last"] = days["athlete_id"] != days["athlete_id"].shift(-1)
    # Those who never lapsed were last seen yesterday; all other days are long past.
    days["settled"] = days["lapsed"] | ~days["last"]
    return days


def test_hazard_finds_a_planted_effect_of_flatness():
    found = hazard_of(invented_days(1), level=0.95)
    table = found.frame().set_index("feature")
    true = np.exp(2.0 * 0.25)
    assert table.loc["flat", "low"] < true < table.loc["flat", "high"]
    assert table.loc["flat", "p_value"] < 0.05
    assert "pain" not in table.index  # the same on every day
    assert "association" in found.text


def test_too_few_lapses_say_so():
    found = hazard_of(invented_days(1, athletes=5), level=0.9)
    assert found.frame().empty
    assert found.text.startswith("Not enough data")


def test_days_whose_sequel_is_unknown_do_not_count():
    days = invented_days(2, athletes=40)
    unknown = days.assign(settled=days["athlete_id"] < 20)
    assert hazard_of(unknown, level=0.9).n_days == (days["athlete_id"] < 20).sum()


def gone_for_long(days, away=0.004, here=0.7):
    """Share of usual gaps longer than the present one: hardly any for those who lapsed."""
    return np.where(days.loc[days["last"], "lapsed"], away, here)


def test_forecasting_fit_without_a_lapse_stays_below_the_prior():
    days = invented_days(3, athletes=3).assign(lapsed=False)
    fitted = fit_lapse(days, np.full(3, 0.7))
    chance = expit(design_of(days) @ fitted.weights).mean()
    assert PRIOR_CHANCE / 5 < chance < PRIOR_CHANCE * 1.3


def test_forecasting_fit_agrees_with_plenty_of_data():
    days = invented_days(4, athletes=600)
    fitted = fit_lapse(days, gone_for_long(days, away=1e-9))
    error = np.sqrt(fitted.cov[1, 1])
    assert abs(fitted.weights[1] - 2.0) < 3.5 * error


def test_absences_that_are_usual_are_no_lapse():
    days = invented_days(5, athletes=60)
    sure = fit_lapse(days, gone_for_long(days, away=1e-6))
    usual = fit_lapse(days, gone_for_long(days, away=0.5))
    chance = [expit(design_of(days) @ fit.weights).mean() for fit in (sure, usual)]
    assert chance[1] < chance[0] / 2


def test_training_days_know_nothing_later(small_model, small_log, small_cut):
    earlier = small_cut - pd.Timedelta(days=56)
    before = small_model.in_hindsight()
    now = small_model.view(small_log, small_cut).training_days
    then = before.view(small_log, earlier).training_days
    keys, known = ["athlete", "date"], ["rate", "pain", "log_weeks", "just_cleared"]
    both = then.merge(now, on=keys, suffixes=("", "_now"))
    assert len(both) == len(then)
    for name in known:
        np.testing.assert_allclose(both[name], both[f"{name}_now"])


def test_chance_beside_each_open_rung(small_model, small_log, small_cut, small_result):
    table = lapse_chance(small_model, small_log, small_cut)
    assert not table["text"].str.contains(r"\b(?:0|100) %").any()  # no chance is certain
    begun = small_result.summary[small_result.summary["sessions"] > 0]
    assert table[["athlete", "rung"]].to_numpy().tolist() == (
        begun[["athlete", "rung"]].to_numpy().tolist()
    )
    chances = table[["p_gone", "lapse_12", "lapse_26"]].to_numpy()
    assert ((chances > 0) & (chances < 1)).all()
    assert (np.diff(chances, axis=1) >= 0).all()
    assert (table["lapse_12_low"] <= table["lapse_12"]).all()
    assert (table["lapse_26"] <= table["lapse_26_high"]).all()
    again = lapse_chance(small_model, small_log, small_cut)
    pd.testing.assert_frame_equal(table, again)
    free = begun["p_lapse_26"].notna().to_numpy()  # under a hold the summary gives no chance
    assert free.any()
    np.testing.assert_allclose(table["lapse_26"][free], begun["p_lapse_26"][free], atol=1e-6)


def test_the_longer_away_the_likelier_gone(small_model, small_log, small_cut, with_sets):
    whole = lapse_chance(small_model, small_log, small_cut).set_index("athlete")
    name = whole["p_gone"].idxmin()
    sets = small_log.sets
    cut_off = small_cut - pd.Timedelta(days=45)
    fewer = with_sets(small_log, sets[(sets["athlete"] != name) | (sets["date"] < cut_off)])
    away = lapse_chance(small_model, fewer, small_cut).set_index("athlete")
    assert away.loc[[name], "p_gone"].max() > whole.loc[[name], "p_gone"].max() + 0.05


def test_a_model_not_fitted_or_of_another_ladder_is_refused(small_model, small_log, make_log):
    with pytest.raises(NotFittedError, match="call fit"):
        lapse_chance(ReadinessForecaster(), small_log)
    with pytest.raises(ForecastError, match="other rungs"):
        lapse_hazard(small_model, make_log([]))
