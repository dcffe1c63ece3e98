"""The hazard: its fit against other libraries, its curves, and its days."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit, ndtr
from sklearn.linear_model import LogisticRegression

from forecast.errors import FitError
from forecast.survival import (
    at_risk,
    fit_hazard,
    fit_ridge_logistic,
    offset_hazard,
    predict_hazard,
    spread_over_days,
    stretch_edges,
)

EDGES = stretch_edges(52)


@pytest.fixture
def sample():
    rng = np.random.default_rng(7)
    design = np.column_stack([np.ones(600), rng.normal(size=(600, 4))])
    offset = rng.normal(-1.0, 0.5, 600)
    chance = expit(offset + design @ np.array([0.3, 1.0, -0.7, 0.0, 0.4]))
    return design, (rng.random(600) < chance).astype(float), offset, rng.uniform(0.3, 1.7, 600)


# the fit ------------------------------------------------------------------------------------


# statsmodels 0.15: GLM(binomial) with offset and var_weights, no penalty
def test_without_a_penalty_it_is_the_logistic_regression_of_statsmodels(sample):
    design, outcome, offset, weight = sample
    ours = fit_ridge_logistic(design, outcome, offset, np.zeros(5), weight)
    family = sm.families.Binomial()
    theirs = sm.GLM(outcome, design, family=family, offset=offset, var_weights=weight).fit(
        tol=1e-12
    )
    np.testing.assert_allclose(ours, theirs.params, atol=1e-6)


# scikit-learn: LogisticRegression(C=1 / penalty) minimises the same, without an offset
def test_with_a_penalty_it_is_the_ridge_of_scikit_learn(sample):
    design, outcome, _, weight = sample
    penalty = 4.0
    ours = fit_ridge_logistic(
        design, outcome, np.zeros(600), np.r_[0.0, np.full(4, penalty)], weight
    )
    theirs = LogisticRegression(C=1 / penalty, tol=1e-10, max_iter=1000).fit(
        design[:, 1:], outcome, sample_weight=weight
    )
    np.testing.assert_allclose(ours, np.r_[theirs.intercept_, theirs.coef_[0]], atol=1e-5)


def test_an_offset_is_a_column_whose_weight_is_known(sample):
    design, outcome, offset, weight = sample
    ours = fit_ridge_logistic(design, outcome, offset, np.zeros(5), weight)
    with_column = np.column_stack([design, offset])
    tied = fit_ridge_logistic(with_column, outcome, np.zeros(600), np.r_[np.zeros(5), 0.0], weight)

    # Freed, the column's weight moves; held at 1 by the offset it must fit no better.
    def loss(eta):
        return -(weight * (outcome * eta - np.logaddexp(0.0, eta))).sum()

    assert loss(with_column @ tied) <= loss(offset + design @ ours) + 1e-9


def test_without_data_the_penalty_leaves_the_offset_in_charge():
    weights = fit_ridge_logistic(
        np.empty((0, 3)), np.empty(0), np.empty(0), np.full(3, 4.0), np.empty(0)
    )
    np.testing.assert_array_equal(weights, 0.0)


def test_separated_data_stay_finite_under_a_penalty():
    design = np.column_stack([np.ones(40), np.repeat([-1.0, 1.0], 20)])
    outcome = np.repeat([0.0, 1.0], 20)
    weights = fit_ridge_logistic(design, outcome, np.zeros(40), np.array([0.5, 4.0]), np.ones(40))
    assert 0.5 < weights[1] < 5.0


def test_a_fit_that_does_not_settle_is_an_error():
    design = np.ones((4, 1))
    with pytest.raises(FitError, match="did not settle"):
        fit_ridge_logistic(
            design, np.array([0.0, 1.0, 0.0, np.nan]), np.zeros(4), np.ones(1), np.ones(4)
        )


# fit and prediction -------------------------------------------------------------------------

NAMES = ["level", "gain", "pace", "level_sd", "gain_sd", "wait", "served", "rate", "meets",
         "counting", "run", "best", "log_wait", "sessions", "ever", "since_best",
         "cleared_before", "since_first", "year"]  # fmt: skip


@pytest.fixture
def moments():
    """240 moments: features, outlooks that rise, and what came of each."""
    rng = np.random.default_rng(11)
    features = pd.DataFrame(rng.normal(size=(240, len(NAMES))), columns=NAMES)
    features["rate"] = rng.uniform(0.5, 3.0, 240)
    features["rung"] = rng.integers(0, 3, 240)
    outlook = np.sort(rng.normal(-1.0, 1.0, (240, len(EDGES))), axis=1)
    table = pd.DataFrame({"weeks": rng.uniform(0.5, 40.0, 240), "cleared": rng.random(240) < 0.5})
    return features, outlook, table.assign(sure=table["weeks"], stays=1.0, weight=1 / 3)


def test_at_the_fit_clearings_foretold_are_those_seen_but_for_the_penalty(moments):
    # The score equation of the intercept, whose ridge is 0.5, at the top of the likelihood.
    features, outlook, table = moments
    model = fit_hazard(features, outlook, table, EDGES, 3)
    by_edge = predict_hazard(model, features, outlook, EDGES)
    hazard = 1.0 - (1.0 - by_edge[:, 1:]) / (1.0 - by_edge[:, :-1])
    lived, event = at_risk(table, EDGES)
    missing = (lived * (event - hazard)).sum()
    assert missing == pytest.approx(0.5 * model.weights[0], abs=1e-4)
    assert (model.n_landmarks, model.n_events) == (240, table["cleared"].sum())
    assert (by_edge[:, 0] == 0.0).all()


def test_learnt_from_nothing_the_prediction_is_the_outlook(moments):
    features, outlook, table = moments
    model = fit_hazard(features[:0], outlook[:0], table[:0], EDGES, 3)
    by_edge = predict_hazard(model, features, outlook, EDGES)
    possible = (outlook[:, 1:] > -3.5) & (outlook[:, 1:] < 3.5)  # beyond, the hazard is bounded
    same = possible & (np.diff(outlook, axis=1) > 0.01)
    assert same.mean() > 0.8
    np.testing.assert_allclose(by_edge[:, 1:][same], ndtr(outlook[:, 1:])[same], atol=3e-3)


# stretches and offsets ----------------------------------------------------------------------


@pytest.mark.parametrize("horizon", [1, 3, 12, 30, 52, 53, 104, 260])
def test_stretches_end_at_the_horizon(horizon):
    edges = stretch_edges(horizon)
    assert edges[0] == 0.0
    assert edges[-1] == horizon
    assert (np.diff(edges) > 0).all()
    assert set(edges[:-1]) <= {*EDGES, *np.arange(78.0, 300.0, 26.0)}


def test_the_offset_is_the_hazard_of_the_outlook():
    outlook = np.array([[-3.0, -1.5, -0.5, 0.2, 0.9]])
    hazard = expit(offset_hazard(outlook))[0]
    reached = ndtr(outlook[0])
    expected = np.diff(reached) / (1 - reached[:-1])
    np.testing.assert_allclose(hazard[1:], expected[1:], atol=1e-9)
    assert hazard[0] == pytest.approx(reached[1])


def test_an_outlook_that_falls_adds_no_chance():
    hazard = expit(offset_hazard(np.array([[0.0, 0.5, -1.0, -2.0]])))[0]
    assert hazard[1:] == pytest.approx(1e-4)


# days ---------------------------------------------------------------------------------------


def test_days_agree_with_the_stretch_ends_and_never_fall():
    rng = np.random.default_rng(3)
    edges = stretch_edges(26)
    by_edge = np.sort(rng.random((20, len(edges))), axis=1)
    by_edge[:, 0] = 0.0
    days = spread_over_days(by_edge, edges, 182)
    np.testing.assert_allclose(days[:, (7 * edges).astype(int)], by_edge, atol=1e-9)
    assert (np.diff(days, axis=1) >= -1e-12).all()


def test_within_a_stretch_the_hazard_is_constant():
    edges = np.array([0.0, 4.0])
    days = spread_over_days(np.array([[0.0, 0.6]]), edges, 28)[0]
    np.testing.assert_allclose(days, 1.0 - 0.4 ** (np.arange(29) / 28.0), atol=1e-12)


def test_a_sure_clearing_stays_finite():
    days = spread_over_days(np.array([[0.0, 1.0]]), np.array([0.0, 2.0]), 14)
    assert np.isfinite(days).all()
    assert days[0, -1] == pytest.approx(1.0)


def test_what_is_known_of_a_stretch_in_part_counts_in_part():
    """Clearings at random, records that end at random: as many are foretold as there were."""
    rng = np.random.default_rng(5)
    n, rate = 4000, 0.1
    clearing, known = rng.exponential(1 / rate, n), rng.uniform(0.5, 20.0, n)
    weeks, cleared = np.minimum(clearing, known), clearing <= known
    edges = stretch_edges(26.0)
    table = pd.DataFrame({"weeks": weeks, "cleared": cleared, "sure": weeks})
    lived, event = at_risk(table.assign(stays=1.0, weight=1.0), edges)
    width = np.diff(edges)
    truth = 1.0 - np.exp(-rate * width)
    used = lived.sum(axis=0) > 200
    told = event[:, used].sum(axis=0) / lived[:, used].sum(axis=0)
    # The actuarial adjustment is exact to the first order.
    np.testing.assert_allclose(told, truth[used], rtol=0.15)
    whole = np.where(event, 1.0, lived >= 1.0)[:, used]
    without = event[:, used].sum(axis=0) / whole.sum(axis=0)
    assert (without / truth[used]).max() > 1.25
    np.testing.assert_allclose((lived * width).sum() + 0.0, _years(weeks, event, edges), rtol=1e-9)


def _years(weeks, event, edges):
    """Weeks lived, with the stretch of a clearing counted whole."""
    low, high = edges[:-1], edges[1:]
    part = np.clip(np.minimum(weeks[:, None], high) - low, 0.0, None)
    return np.where(event, high - low, part).sum()


def test_an_outlook_that_is_no_number_is_named():
    outlook = np.array([[0.0, np.nan], [0.1, 0.2]])
    with pytest.raises(FitError, match="outlook of 1 of 2 moments is not a number"):
        fit_hazard(pd.DataFrame(), outlook, pd.DataFrame(), np.array([0.0, 4.0]), 1)
