"""The climb to the best constants: closed-form maxima, slopes as differences, margins by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm
from unfitted_club import at_the_priors, histories_of, rows_of

from forecast.errors import FitError
from forecast.growth import engine
from forecast.growth import fitting as fit
from forecast.growth.evidence import athlete_scatter, forward_pass
from forecast.growth.fitting import (
    STRUCTURE,
    constants_draws,
    prior_constants,
)
from forecast.growth.judgement import PRIORS, SCATTER_SD, SCATTERS, SPELL_SPREAD
from forecast.growth.motion import stretches
from forecast.growth.panel import build_panel, take_spells


@pytest.fixture(scope="module")
def panel(club):
    panel = build_panel(club)
    return take_spells(panel, panel.longest_first)


# climbing -------------------------------------------------------------------------------------


def test_the_top_of_a_normal_evidence_is_the_normal_posterior():
    """Prior N(m, s**2) and evidence N(y, v): the mode is their precision-weighted mean."""
    names = ["log_alpha", "fatigue"]
    mean, sd = np.array([PRIORS[name][:2] for name in names]).T
    y, v = mean + np.array([1.0, -0.05]), np.array([0.5, 0.001])

    def evidence(vector):
        return float(-0.5 * np.sum((vector - y) ** 2 / v)), (y - vector) / v

    best = fit._climb(names, mean, evidence, 50)
    expected = (mean / sd**2 + y / v) / (1.0 / sd**2 + 1.0 / v)
    np.testing.assert_allclose(best, expected, rtol=1e-4)


def test_no_constant_ends_beyond_five_standard_deviations_or_its_own_bound():
    def away(vector):
        return float(1e4 * vector.sum()), np.full(2, 1e4)

    names = ["log_alpha", "log_slip"]
    best = fit._climb(names, np.array([PRIORS[n].mean for n in names]), away, 20)
    alpha = PRIORS["log_alpha"]
    np.testing.assert_allclose(best, [alpha.mean + 5.0 * alpha.sd, np.log(0.2)])

    def nowhere(vector):
        return float("nan"), np.zeros(2)

    with pytest.raises(FitError, match="not a number"):
        fit._climb(names, np.zeros(2), nowhere, 5)


def test_slopes_of_the_pooled_evidence_are_its_differences(panel, unfitted):
    constants = unfitted.fit.constants
    filtered = fit.filter_population(panel, constants, None, 4)
    problem = fit._Structure(panel, constants, filtered, 4)
    # Measures that nobody trains and a season that a short log can't show are left alone.
    unused = {"log_day_sd_kg", "log_day_sd_cm", "season_cos", "season_sin"}
    assert problem.names == [name for name in STRUCTURE if name not in unused]
    vector = constants.vector(problem.names)
    _, slopes = problem.value_and_gradient(vector)

    def evidence(at):
        return problem.pool(constants.replaced(problem.names, at)).log_evidence

    for name, slope, axis in zip(problem.names, slopes, np.eye(len(vector)), strict=True):
        step = 1e-4 * axis
        difference = (evidence(vector + step) - evidence(vector - step)) / 2e-4
        assert slope == pytest.approx(difference, abs=5e-3, rel=5e-3), name


def test_sites_without_the_days_form_keep_what_the_sets_said(panel, unfitted):
    """With the form put back as it was, the information is that of the sites themselves."""
    constants = unfitted.fit.constants
    filtered = fit.filter_population(panel, constants, None, 4)
    problem = fit._Structure(panel, constants, filtered, 4)
    between = stretches(panel, constants.clock, constants.dynamics)
    there = fit.spell_information(between, filtered.site_mean, filtered.site_var)
    np.testing.assert_allclose(problem.inform(constants).information, there.information, rtol=1e-9)


def rhythm_of(days):
    """What a panel of one spell holds of its dates."""
    days = np.array(days)
    rest = np.diff(days, prepend=days[:1]) / 7.0
    return SimpleNamespace(day=days + 20000, number=np.arange(len(days)), rest=rest)


def test_constants_start_from_the_logs_own_rhythm():
    weekly = 7 * np.arange(40)
    first = fit.first_constants(rhythm_of(weekly))
    assert first.session_weeks == pytest.approx(1.0)
    # Forty weeks with sessions tell a season from a trend.
    assert first.seasonal
    assert not fit.first_constants(rhythm_of(weekly[:39])).seasonal
    assert not fit.first_constants(rhythm_of(np.r_[weekly[:39], weekly[38] + 1])).seasonal
    assert fit.first_constants(rhythm_of([0, 1, 2])).session_weeks == pytest.approx(1 / 7)
    assert fit.first_constants(rhythm_of([0])).session_weeks == 0.4
    assert np.exp(first.values["log_own_pace"]) == pytest.approx(0.05)
    assert first.values["log_alpha"] == PRIORS["log_alpha"].mean


def test_before_any_fit_spells_differ_by_all_that_can_differ(panel, unfitted):
    """Own, athlete, rung and the centre's own doubt; once pooled, the first two only."""
    constants, prior = unfitted.fit.constants, unfitted.fit.constants.pooling
    mean, cov = fit.population_prior(constants, None, panel, 4)
    whole = prior.own + np.diag(prior.athlete + prior.rung + prior.centre_var)
    np.testing.assert_allclose(cov, np.tile(whole, (3, 1, 1)))
    np.testing.assert_allclose(mean, np.tile(prior.centre_mean, (3, 1)))
    known = replace(unfitted.fit.pooled, common_mean=np.arange(15.0))
    mean, cov = fit.population_prior(constants, known, panel, 4)
    np.testing.assert_allclose(mean, [[3, 5, 7], [3, 5, 7], [6, 8, 10]])  # rungs 0, 0 and 1
    np.testing.assert_allclose(cov[2], prior.own + np.diag(prior.athlete))


def test_a_log_that_says_nothing_leaves_the_constants_as_uncertain_as_before(panel, unfitted):
    constants = unfitted.fit.constants
    heard = fit.filter_population(panel, constants, None, 4)
    silent = heard._replace(site_var=np.full(10, np.inf), tail=np.ones(10))
    names, chol = fit._uncertainty(panel, constants, silent, 4)
    np.testing.assert_allclose(chol @ chol.T, np.diag([PRIORS[n].sd ** 2 for n in names]))
    _, chol = fit._uncertainty(panel, constants, heard, 4)
    left = np.diag(chol @ chol.T) / [PRIORS[n].sd ** 2 for n in names]
    assert (left <= 1.0 + 1e-9).all()
    assert left[names.index("log_own_start")] < 0.99


def test_ties_of_a_spells_own_effects_are_partial_correlations(club):
    """Swing and pace given the start: minus the scaled entry of the inverse (Joe 2006)."""
    ties = {"own_start_swing": 0.6, "own_start_pace": -0.5, "own_swing_pace": 0.7}
    constants = at_the_priors(club, **ties).fit.constants
    own = constants.pooling.own
    sd = np.exp([constants.values[f"log_own_{k}"] for k in ("start", "swing", "pace")])
    np.testing.assert_allclose(np.sqrt(np.diag(own)), sd)
    corr = own / np.outer(sd, sd)
    np.testing.assert_allclose(corr[0, 1:], np.tanh([0.6, -0.5]))
    inverse = np.linalg.inv(corr)
    partial = -inverse[1, 2] / np.sqrt(inverse[1, 1] * inverse[2, 2])
    assert partial == pytest.approx(np.tanh(0.7))
    np.testing.assert_allclose(own, own.T)
    # Variances at the other levels are squares of sds.
    assert constants.pooling.athlete[0] == pytest.approx(0.15**2)
    assert constants.pooling.rung[2] == pytest.approx(0.01**2)


# draws ----------------------------------------------------------------------------------------


def test_draws_come_in_mirrored_pairs_within_two_standard_deviations(unfitted):
    names = [*SPELL_SPREAD, "log_detraining"]
    model = replace(unfitted.fit, names=names, chol=np.diag([0.0, 0.0, 0.0, 0.3]))
    draws = np.array([c.vector(names) for c in constants_draws(model, 64, 5)])
    middle = unfitted.fit.constants.vector(names)
    np.testing.assert_allclose(draws[::2] + draws[1::2], np.tile(2.0 * middle, (32, 1)))
    away = (draws - middle) / [0.5, 0.7, 0.5, 0.3]
    assert 1.5 < np.abs(away).max() <= 2.0 + 1e-9
    # A normal cut at two is pulled in to a variance of 0.92 (piled up at the cut).
    cut = norm.expect(lambda x: np.clip(x, -2, 2) ** 2)
    np.testing.assert_allclose(away.std(axis=0) ** 2, cut, atol=0.12)
    other = np.array([c.vector(names) for c in constants_draws(model, 64, 6)])
    assert not np.allclose(draws, other)


# scatter --------------------------------------------------------------------------------------


def test_scatter_is_weighed_by_the_evidence_of_all_but_each_spells_last_session(panel, unfitted):
    constants = unfitted.fit.constants
    between = stretches(panel, constants.clock, constants.dynamics)
    prior = fit.population_prior(constants, None, panel, 4)
    found = athlete_scatter(panel, between, constants.noise, *prior)
    assert found[0] == found[2] != found[1]  # Al's two spells share one
    np.testing.assert_allclose(SCATTERS[[0, 2, 4]], [1 / np.e, 1.0, np.e])
    told = np.array([
        forward_pass(panel, between, constants.noise, *prior, multiple).log_evidence
        for multiple in SCATTERS
    ])  # fmt: skip
    told = np.clip(told - told[2], -3.0, 1.5)
    for spell, sessions in ((0, [0, 1, 2, 3, 8]), (1, [5, 6])):
        weight = np.exp(told[:, sessions].sum(axis=1)) * norm.pdf(np.log(SCATTERS) / SCATTER_SD)
        expected = np.exp(weight @ np.log(SCATTERS) / weight.sum())
        assert found[spell] == pytest.approx(expected)


def test_a_single_session_tells_of_no_scatter(unfitted):
    panel = build_panel(histories_of(rows_of("Cy", "hang", {0: [9, 2, 7]})))
    constants = unfitted.fit.constants
    between = stretches(panel, constants.clock, constants.dynamics)
    prior = fit.population_prior(constants, None, panel, 4)
    assert athlete_scatter(panel, between, constants.noise, *prior)[0] == pytest.approx(1.0)


# the scale ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sets", "ahead", "chosen"),
    [
        (2, 5.1, 0.85),  # few sets: five must be beaten
        (2, 4.9, 0.0),
        (50, 8 * 50 * 0.04 + 0.1, 0.85),  # many: 0.04 a set
        (50, 8 * 50 * 0.04 - 0.1, 0.0),
    ],
)
def test_another_scale_must_beat_the_log_by_a_margin(monkeypatch, sets, ahead, chosen):
    """Three rounds of made evidences: at 0.5 behind at once, at -1 ahead at first only."""
    rounds = {0.0: [-9.0, -5.0, 0.0], 0.5: [-9.5, 99.0, 99.0], 0.85: [-8.0, -7.0, ahead],
              -1.0: [-8.5, 50.0, 1.0]}  # fmt: skip
    monkeypatch.setattr(engine, "rescaled", lambda panel, share: share)
    monkeypatch.setattr(engine, "_evidence", lambda share, n_rungs: iter(rounds[share]))
    monkeypatch.setattr(engine, "take_spells", lambda panel, which: panel)
    trial = SimpleNamespace(n_spells=8, n_sets=np.full(8, sets))
    assert engine.choose_scale(trial, 4) == chosen
    trial.n_spells = 7  # too few to tell a law of growth
    assert engine.choose_scale(trial, 4) == 0.0


# the log's own gaps ---------------------------------------------------------------------------


def test_the_rhythm_is_that_of_the_gaps_and_of_whose_they_are(panel, club):
    """Al's gaps are 3, 2, 28, 3 and 7 days, Bo's 7 and 7: medians of 3 and 7."""
    rhythm = engine.rhythm_of(panel, club)
    assert rhythm.median == 5.0
    assert rhythm.ratios[[0, -1]] == pytest.approx([2 / 3, 28 / 3], rel=0.2)


def test_prior_constants_may_be_set_one_by_one(club):
    plain = at_the_priors(club, practice=0.0).fit.constants
    assert plain.clock.practice == 0.5
    assert plain.replaced(["practice"], np.array([-40.0])).clock.practice == pytest.approx(0.0)
    assert prior_constants().dynamics.regain == pytest.approx(0.3)
