"""Draws, sensitivity, power scaling and predictive checks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import integrate
from scipy.stats import norm

from forecast import cohort
from forecast.cohort.statistics import cumulative_distance
from forecast.errors import ForecastError

KEYS = ["athlete", "rung"]


def test_draws_have_the_forecast_s_quantiles(small_view, small_result):
    table = cohort.draws(small_view, count=4000, seed=3)
    assert table.equals(cohort.draws(small_view, count=4000, seed=3))
    half = table["weeks"].fillna(np.inf).groupby([table[k] for k in KEYS]).median()
    told = small_result.quantile(0.5).set_index(KEYS)["weeks"].dropna()
    both = told.index.intersection(half.index)
    assert len(both) > 5
    np.testing.assert_allclose(half[both], told[both], atol=1.2)
    level = table.groupby(KEYS)["level"].mean()
    expected = small_result.summary.set_index(KEYS)["level"]
    assert np.abs(level - expected[level.index]).median() < 0.05


def test_without_arviz_it_says_how_to_get_it(small_view, monkeypatch):
    monkeypatch.setattr("forecast.cohort.statistics.find_spec", lambda _: None)
    with pytest.raises(ForecastError, match=r"pip install rungwise\[arviz\]"):
        cohort.as_inference_data(cohort.draws(small_view, count=2))


def test_inference_data_holds_every_draw(small_view):
    pytest.importorskip("arviz")
    table = cohort.draws(small_view, count=50)
    data = cohort.as_inference_data(table)
    assert data.posterior["level"].shape == (1, 50, table.groupby(KEYS).ngroups)
    assert float(data.posterior["level"].mean()) == pytest.approx(table["level"].mean())


def test_a_session_left_out_moves_its_own_rung_only(small_view, small_log, with_sets):
    sets = small_log.before(small_view.as_of).sets
    open_rung = small_view.histories.open_spells
    name = open_rung.loc[open_rung["n_sessions"].idxmin(), "athlete"]
    log = with_sets(small_log, sets[sets["athlete"] == name])
    view = small_view.model.view(log, small_view.as_of)
    table = cohort.sensitivity(view, leave="session")
    assert set(table["athlete"]) == {name}
    assert set(table["rung"]) <= set(view.histories.open_spells["rung"])
    assert len(table) <= log.sets.groupby([*KEYS, "date"]).ngroups
    assert (table["change"].abs().diff().dropna() <= 1e-12).all()
    assert table["change"].abs().max() > 0


def test_an_athlete_left_out_moves_the_others(small_model, small_log, small_cut, with_sets):
    names = sorted(small_log.sets["athlete"].unique())[:3]
    log = with_sets(small_log, small_log.sets[small_log.sets["athlete"].isin(names)])
    view = small_model.view(log, small_cut)
    table = cohort.sensitivity(view)
    assert set(table["left_out"]) <= set(names)
    assert (table["left_out"] != table["athlete"]).all()
    with pytest.raises(ForecastError, match="choose 'athlete' or 'session'"):
        cohort.sensitivity(view, leave="rung")
    with pytest.raises(ForecastError, match="from 1 to 30"):
        cohort.sensitivity(view, week=31)


def closed_form(shift, width):
    """Cumulative Jensen-Shannon distance of N(0, 1) and N(shift, width) by quadrature."""

    def each(x):
        p, q = norm.cdf(x), norm.cdf(x, shift, width)
        return p * np.log2(2 * p / (p + q)) + q * np.log2(2 * q / (p + q))

    def both(x):
        return norm.cdf(x) + norm.cdf(x, shift, width)

    low, high = norm.ppf([2.5e-5, 1 - 2.5e-5])  # of the points below
    return np.sqrt(integrate.quad(each, low, high)[0] / integrate.quad(both, low, high)[0])


def test_the_distance_is_that_of_the_two_distributions():
    x = norm.ppf((np.arange(20000) + 0.5) / 20000)
    weight = np.exp(norm.logpdf(x, 0.3, 0.9) - norm.logpdf(x))
    want = max(closed_form(0.3, 0.9), closed_form(-0.3, 0.9))
    assert cumulative_distance(x, weight) == pytest.approx(want, rel=0.02)
    assert cumulative_distance(x, np.ones_like(x)) == pytest.approx(0.0, abs=1e-7)


def test_a_log_that_says_nothing_leaves_all_to_the_prior(small_model):
    from forecast.growth import PRIORS

    fit = small_model.engines_.growth.fit
    prior = np.diag([PRIORS[name].sd for name in fit.names])
    values = fit.constants.values | {name: PRIORS[name].mean for name in fit.names}
    constants = dataclasses.replace(fit.constants, values=values)
    silent = dataclasses.replace(fit, chol=prior, constants=constants)
    growth = dataclasses.replace(small_model.engines_.growth, fit=silent)
    engines = dataclasses.replace(
        small_model.engines_, learnt=small_model.engines_.learnt | {"growth": growth}
    )
    model = dataclasses.make_dataclass("Model", ["engines_"])(engines)
    table = cohort.prior_sensitivity(model)
    assert (table["prior"] > 0.05).all()
    np.testing.assert_allclose(table["likelihood"], 0.0, atol=1e-6)
    assert set(table["diagnosis"]) == {"prior counts more than the log"}
    learnt = cohort.prior_sensitivity(small_model)
    assert (learnt["likelihood"] > 0.05).mean() > 0.5


def test_density_and_check_add_up(small_view):
    table = cohort.predictive_density(small_view)
    histories = small_view.histories
    assert table["sessions"].sum() == len(histories.sessions)
    total = small_view.tracked.filtered.log_evidence.sum()
    assert table["log_density"].sum() == pytest.approx(total)
    check = cohort.predictive_check(small_view)
    assert check["sessions"].sum() == len(histories.sessions)
    met = (check["sessions"] * check["observed"]).sum()
    assert met == pytest.approx(histories.sessions["meets"].sum())
    inside = check["observed"].between(check["low"] - 0.02, check["high"] + 0.02)
    assert inside.mean() >= 0.5


def test_the_weeks_expected_are_held_against_the_log(small_log, small_cut):
    rung, *others = small_log.ladder.rungs
    told = dataclasses.replace(rung, usual_weeks=(1.0, 2.0))
    ladder = dataclasses.replace(small_log.ladder, rungs=(told, *others))
    log = dataclasses.replace(small_log, ladder=ladder)
    (line,) = cohort.expected_weeks(log, as_of=small_cut)
    assert line.startswith(f"{rung.name}: 8 in 10 are expected to take 1 to 2 weeks")
    assert cohort.expected_weeks(small_log) == ()
