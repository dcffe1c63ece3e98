"""What the log teaches: regression on spells, times on rungs, clean shares, quantile maps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import betabinom, binom, norm
from scipy.stats import t as student
from statsmodels.regression.linear_model import GLS

from forecast.ahead.going_back import upper_tail
from forecast.ahead.learning import (
    LEVELS,
    RungTimes,
    Times,
    athlete_effects,
    fit_rung_times,
    normal_scores,
    order_left,
    rung_days,
    spread_of_logits,
)
from forecast.ahead.walk import match_quantiles
from forecast.growth.engine import regress_spells


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


def test_regression_on_spells_is_generalised_least_squares():
    rng = np.random.default_rng(3)
    slope = np.array([0.3, 0.01])
    who, sd, noise, design, theta, score, information = planted_spells(rng, 12, 4, slope)
    mean, cov = regress_spells(score, information, who, sd**2, design, np.array([1e3, 1e3]))
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
    mean, _ = regress_spells(score, information, who, sd**2, design, np.array([1e-6, 1e-6]))
    assert abs(mean).max() < 1e-6


def planted_times(seed, athletes=60, rungs=6, *, athlete_sd=0.4, rest=0.3, follow=120.0):
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(athletes), rungs)
    rung = np.tile(np.arange(rungs), athletes)
    middle = np.exp(rng.normal(4.2, 0.3, len(who)))
    log_days = 0.2 + np.log(middle) + (athlete_sd * rng.standard_normal(athletes))[who]
    days = np.exp(log_days + rest * rng.standard_normal(len(who)))
    seen = rng.uniform(0.3, 1.0, len(who)) * 2 * follow
    return Times(np.minimum(days, seen), days <= seen, middle, who, rung)


def test_times_find_a_planted_spread_of_athletes_although_many_are_censored():
    times = planted_times(1)
    assert 0.1 < 1 - times.cleared.mean() < 0.6
    found = fit_rung_times(times, 6, [1])
    assert found.base.mean() == pytest.approx(0.2, abs=0.15)
    assert found.athlete.mean() == pytest.approx(0.4, abs=0.1)
    # Student's t with 6 degrees of freedom, scaled to normal errors of 0.3, is a little narrower.
    assert found.rest.mean() == pytest.approx(0.3 * 0.9, abs=0.06)


def test_without_spells_the_engines_word_stands():
    none = np.empty(0)
    nothing = Times(none, none.astype(bool), none, none.astype(int), none.astype(int))
    found = fit_rung_times(nothing, 4, [1])
    assert found.base.mean() == pytest.approx(0.0, abs=0.2)
    assert found.slope.mean() == pytest.approx(1.0, abs=0.15)
    assert found.n_spells == 0


UNIFORM = np.tile((np.arange(320) * 7 % 320 + 0.5) / 320, (2, 1))
NO_DAYS = np.empty((0, 320))


def plain_model(athlete=0.4, rest=0.3):
    shape = np.tile(rest * student.ppf(LEVELS, 6), (16, 1))
    four = np.tile([[0.0], [1.0], [rest], [athlete]], (1, 16))
    return RungTimes(*four, np.zeros((16, 3)), shape, 50)


def record(days, athlete=0, rungs=3):
    n = len(days)
    return Times(
        np.array(days), np.ones(n, dtype=bool), np.full(n, 70.0), np.full(n, athlete),
        np.arange(n) % rungs,
    )  # fmt: skip


def under_way(days):
    n = len(days)
    none = np.zeros(n, dtype=int)
    return Times(np.asarray(days), none.astype(bool), np.full(n, 70.0), none, none)


def test_a_slow_record_makes_an_athlete_slow_and_a_bare_one_leaves_the_spread():
    effect = athlete_effects(
        plain_model(), record([140.0] * 3), np.array([0, 1]), under_way(NO_DAYS), UNIFORM
    )
    # Near the conjugate answer with normal errors: 3 n s / (1 / 0.16 + 3 / 0.09).
    expected = (3 / 0.09) * np.log(141 / 71) / (1 / 0.16 + 3 / 0.09)
    assert effect[0].mean() == pytest.approx(expected, abs=0.08)
    assert effect[0].std() < 0.75 * effect[1].std()
    assert effect[1].mean() == pytest.approx(0.0, abs=0.03)
    assert effect[1].std() == pytest.approx(0.4, rel=0.1)


def test_a_path_slow_on_the_rung_in_hand_is_slow_on_those_to_come():
    model, none = plain_model(), record([])
    days = np.where(np.arange(320) < 160, 35.0, 140.0)[None]
    effect = athlete_effects(model, none, np.array([0, 1]), under_way(days), UNIFORM)
    assert effect[0, 160:].mean() - effect[0, :160].mean() > 0.5
    assert abs(effect[1, 160:].mean() - effect[1, :160].mean()) < 0.15
    # A rung in hand that took so long is the same news as a finished one.
    finished = athlete_effects(
        model, record([140.0]), np.array([0, 1]), under_way(NO_DAYS), UNIFORM
    )
    np.testing.assert_allclose(finished[0, 160:], effect[0, 160:], atol=1e-9)


def test_effects_are_those_of_a_student_t_posterior_by_brute_force():
    effect = athlete_effects(
        plain_model(), record([140.0, 90.0]), np.array([0, 1]), under_way(NO_DAYS), UNIFORM
    )
    u = np.linspace(-3, 3, 20001)
    density = norm.pdf(u, 0, 0.4)
    for days in (140.0, 90.0):
        density *= student.pdf((np.log1p(days) - np.log1p(70.0) - u) / 0.3, 6)
    mean = (u * density).sum() / density.sum()
    sd = np.sqrt(((u - mean) ** 2 * density).sum() / density.sum())
    assert effect[0].mean() == pytest.approx(mean, abs=0.01)
    assert effect[0].std() == pytest.approx(sd, rel=0.03)


def test_days_have_the_models_spread_and_follow_the_order():
    rng = np.random.default_rng(2)
    order = normal_scores(rng.standard_normal((1, 2048)))
    days = rung_days(plain_model(), 1, np.full((1, 2048), 70.0), np.zeros((1, 2048)), order)[0]
    logs = np.log1p(days) - np.log1p(70.0)
    assert np.median(logs) == pytest.approx(0.0, abs=0.01)
    assert logs.std() == pytest.approx(0.3 * np.sqrt(6 / 4), rel=0.1)
    assert (np.diff(days[np.argsort(order[0])]) >= 0).all()


def test_a_skew_of_the_times_is_kept():
    rng = np.random.default_rng(9)
    times = planted_times(2, athlete_sd=1e-3, rest=1e-6, follow=1e5)
    skewed = times.days * np.exp(0.4 * (1 - rng.exponential(size=len(times.days))))
    found = fit_rung_times(replace(times, days=skewed), 6, [1])
    order = normal_scores(rng.standard_normal((1, 2048)))
    zero = np.zeros((1, 2048))
    days = rung_days(found, 1, np.full((1, 2048), 70.0), zero, order)[0]
    truth = 0.2 + np.log(70.0) + 0.4 * (1 - rng.exponential(size=100_000))
    for share in (0.1, 0.5, 0.9):
        assert np.quantile(np.log(days), share) == pytest.approx(
            np.quantile(truth, share), abs=0.08
        )


def test_what_paths_share_is_taken_out_of_their_order():
    rng = np.random.default_rng(3)
    common, own = rng.standard_normal((2, 2048))
    days = np.exp(4 + 0.5 * common + 0.5 * own)[None]
    left = order_left(days, np.column_stack([np.ones(2048), common])[None])[0]
    assert abs(np.corrcoef(left, common)[0, 1]) < 0.02
    assert np.corrcoef(left, own)[0, 1] > 0.97


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


def test_upper_tail_is_the_binomial_where_nothing_varies():
    one = upper_tail(7, 20, np.array([-1.0]), np.array([1.0]))
    assert one == pytest.approx(binom.sf(6, 20, expit(-1.0)), rel=1e-9)


def test_upper_tail_over_a_beta_is_scipys_beta_binomial():
    a, b = 3.0, 9.0
    p = (np.arange(20000) + 0.5) / 20000
    weight = p ** (a - 1) * (1 - p) ** (b - 1)
    logit = np.log(p) - np.log1p(-p)
    mixed = upper_tail(7, 20, logit, weight / weight.sum())
    assert mixed == pytest.approx(betabinom.sf(6, 20, a, b), rel=1e-4)
