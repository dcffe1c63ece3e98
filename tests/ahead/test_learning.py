"""What the log teaches: regression on spells, a factor on times, clean shares, quantile maps."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import norm
from scipy.stats import t as student
from statsmodels.regression.linear_model import GLS

from forecast.ahead import learn_factor, match_quantiles, spread_of_logits
from forecast.growth import Pooled, Tracked
from forecast.growth.evidence import SpellInformation


def planted_spells(rng, athletes, each, slope):
    """Spells seen with noise: theta = design @ slope + athlete + noise, all known."""
    who = np.repeat(np.arange(athletes), each)
    athlete_sd = np.array([0.2, 0.02, 0.02])
    noise = np.diag([0.1, 0.02, 0.03]) ** 2
    design = np.zeros((len(who), 3, 2))
    design[:, 0, 0] = rng.normal(size=len(who))
    design[:, 2, 1] = rng.normal(size=len(who))
    theta = design @ slope + (athlete_sd * rng.standard_normal((athletes, 3)))[who]
    theta += rng.multivariate_normal(np.zeros(3), noise, len(who))
    information = np.tile(np.linalg.inv(noise), (len(who), 1, 1))
    score = np.einsum("sij,sj->si", information, theta)
    return who, athlete_sd, noise, design, theta, score, information


def regress(score, information, who, athlete_var, design, prior_sd):
    """The regression of a log in which centre and rungs are nothing."""
    pooling, nothing = SimpleNamespace(athlete=athlete_var), Pooled(np.zeros(6), None, 0.0, None)
    fit = SimpleNamespace(pooled=nothing, constants=SimpleNamespace(pooling=pooling))
    panel = SimpleNamespace(athlete=who, rung=np.zeros(len(who), dtype=int))
    loose = SpellInformation(np.zeros(len(who)), score, information)
    return Tracked(SimpleNamespace(fit=fit), panel, None, loose).regress(design, prior_sd)


def test_regression_on_spells_is_generalised_least_squares():
    rng = np.random.default_rng(3)
    slope = np.array([0.3, 0.01])
    who, sd, noise, design, theta, score, information = planted_spells(rng, 12, 4, slope)
    mean, cov = regress(score, information, who, sd**2, design, np.array([1e3, 1e3]))
    # The same written out: one long vector, its full covariance, statsmodels' GLS.
    same = np.equal.outer(who, who)
    full = np.kron(same, np.diag(sd**2)) + np.kron(np.eye(len(who)), noise)
    told = GLS(theta.ravel(), design.reshape(-1, 2), sigma=full).fit(cov_type="nonrobust")
    np.testing.assert_allclose(mean, told.params, rtol=1e-4)
    np.testing.assert_allclose(cov, told.normalized_cov_params, rtol=1e-4)
    assert abs(mean - slope).max() < 4 * np.sqrt(np.diag(cov)).max()


def test_a_tight_prior_pulls_the_slope_to_nothing():
    rng = np.random.default_rng(4)
    who, sd, _, design, _, score, information = planted_spells(rng, 12, 4, np.array([0.3, 0.01]))
    mean, _ = regress(score, information, who, sd**2, design, np.array([1e-6, 1e-6]))
    assert abs(mean).max() < 1e-6


def planted_times(seed, spells=300, *, factor=0.3, spread=0.4):
    rng = np.random.default_rng(seed)
    middle = np.exp(rng.normal(4.2, 0.3, spells))
    days = np.expm1(np.log1p(middle) + factor + spread * rng.standard_normal(spells))
    seen = rng.uniform(0.3, 1.0, spells) * 150.0
    return np.minimum(days, seen), days <= seen, middle


def test_the_factor_on_times_is_found_although_many_are_censored():
    days, cleared, middle = planted_times(1)
    assert 0.1 < 1 - cleared.mean() < 0.6
    factor, spread = learn_factor(days, cleared, middle)
    assert factor == pytest.approx(0.3, abs=3 * spread)
    assert spread == pytest.approx(0.4 / np.sqrt(len(days)), rel=0.5)
    # Taken for cleared where they were only last seen, times look shorter than they were.
    assert learn_factor(days, np.ones(len(days), dtype=bool), middle)[0] < factor - 2 * spread


def test_the_factor_is_that_of_a_student_t_posterior_by_brute_force():
    days, middle, cleared = np.array([90.0, 140.0]), np.full(2, 70.0), np.array([True, False])
    factor, log_spread = np.meshgrid(np.linspace(-3, 3, 1201), np.linspace(-3, 2, 401))
    spread = np.exp(log_spread)
    density = norm.pdf(factor, 0, 0.4) * norm.pdf(log_spread, np.log(0.7), 0.4)
    error = [(np.log1p(d) - np.log1p(70.0) - factor) / spread for d in days]
    density *= student.pdf(error[0], 6) / spread * student.sf(error[1], 6)
    mean = (factor * density).sum() / density.sum()
    sd = np.sqrt(((factor - mean) ** 2 * density).sum() / density.sum())
    assert learn_factor(days, cleared, middle) == pytest.approx((mean, sd), abs=0.01)


def test_without_spells_the_engines_word_stands():
    none = np.empty(0)
    factor, spread = learn_factor(none, none.astype(bool), none)
    assert factor == pytest.approx(0.0, abs=1e-9)
    assert spread == pytest.approx(0.4, rel=0.02)


def test_matched_times_have_the_asked_for_distribution_and_keep_their_order():
    rng = np.random.default_rng(5)
    days = rng.exponential(60.0, 4000)
    at = np.arange(0.0, 365.0, 7.0)
    chance = 1 - np.exp(-at / 100.0)
    moved = match_quantiles(days, chance, at).apply(days)
    inside = at[1:40]
    np.testing.assert_allclose((moved[:, None] <= inside).mean(axis=0), chance[1:40], atol=0.01)
    assert (np.argsort(moved, kind="stable") == np.argsort(days, kind="stable")).all()


def test_with_nothing_to_match_times_are_left_as_they_are():
    days = np.array([100.0, 200.0, 300.0])
    assert (match_quantiles(days, np.zeros(5), 7.0 * np.arange(5)).apply(days) == days).all()


def test_spread_of_logits_finds_what_was_planted():
    rng = np.random.default_rng(6)
    group = np.repeat(np.arange(150), 5)
    base = np.full(len(group), 1.5)
    trials = np.full(len(group), 8.0)
    hits = rng.binomial(8, expit(base + (0.9 * rng.standard_normal(150))[group]))
    assert spread_of_logits(hits, trials, base, group) == pytest.approx(0.9, abs=0.15)
