"""The two-state model against plain linear algebra, its limits, and the paths drawn backwards."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from forecast.plateau.switching import (
    MOVING,
    STALLED,
    Switching,
    draw_paths,
    fit_switching,
    follow_switching,
)
from forecast.plateau.traces import take_traces

NO_STALLS = Switching(shift=0.02, wiggle=0.03, stop=1e-12, resume=0.1)


def joint(traces, model):
    """Mean and covariance of (level, gain) at every session of one spell, by the definition."""
    n = traces.n_sessions
    mean, cov = np.zeros(2 * n), np.zeros((2 * n, 2 * n))
    level, gain, a, b, c = traces.first[0]
    mean[:2], cov[:2, :2] = (level, gain), [[a, b], [b, c]]
    for k in range(1, n):
        t = traces.rest[k]
        move = np.array([[1.0, t], [0.0, 1.0]])
        q = model.shift**2 * np.array([[t**3 / 3, t**2 / 2], [t**2 / 2, t]])
        q[0, 0] += model.wiggle**2 * t
        now, was = slice(2 * k, 2 * k + 2), slice(2 * k - 2, 2 * k)
        mean[now] = move @ mean[was]
        cov[now, : 2 * k] = move @ cov[was, : 2 * k]
        cov[: 2 * k, now] = cov[now, : 2 * k].T
        cov[now, now] = move @ cov[was, was] @ move.T + q
    return mean, cov


@pytest.fixture
def one(traces_from):
    return traces_from([np.array([-1.0, -0.9, -0.95, -0.7, -0.75, -0.6])], spread=0.12)


def conditioned(traces, model):
    """Opinion of all states given all sessions but the first (that one is in the start)."""
    mean, cov = joint(traces, model)
    at = np.arange(2, len(mean), 2)
    total = cov[np.ix_(at, at)] + np.diag(traces.var[1:])
    gain = np.linalg.solve(total, cov[at]).T
    density = multivariate_normal(mean[at], total).logpdf(traces.level[1:])
    return mean + gain @ (traces.level[1:] - mean[at]), cov - gain @ cov[at], density


def test_without_stalls_the_filter_is_the_exact_conditional(one):
    mean, cov, density = conditioned(one, NO_STALLS)
    state = follow_switching(one, one.level, NO_STALLS)
    moving = state.values[MOVING, :, -1, 0]
    assert moving[0] == pytest.approx(mean[-2])
    assert moving[1] == pytest.approx(mean[-1])
    assert moving[4] == pytest.approx(cov[-1, -1])
    assert state.log_density == pytest.approx(density)


def test_a_session_that_says_nothing_changes_nothing_but_time(one):
    var = one.var.copy()
    var[3] = np.inf
    silent = replace(one, var=var, level=np.where(np.arange(6) == 3, 99.0, one.level))
    state = follow_switching(silent, silent.level, NO_STALLS)
    keep = np.array([0, 1, 2, 4, 5])
    rest = one.rest[keep].copy()
    rest[3] += one.rest[3]
    without = take_traces(one, np.array([0]), np.array([5]))
    without = replace(without, rest=rest, level=one.level[keep], var=one.var[keep])
    same = follow_switching(without, without.level, NO_STALLS)
    np.testing.assert_allclose(state.values[MOVING, 1, 5], same.values[MOVING, 1, 4])
    np.testing.assert_allclose(state.log_density, same.log_density)


def test_copies_are_watched_one_by_one(moving_and_stalled):
    other = moving_and_stalled.level[::-1].copy()
    both = np.column_stack([moving_and_stalled.level, other])
    model = Switching(0.01, 0.02, 0.05, 0.1)
    together = follow_switching(moving_and_stalled, both, model)
    alone = follow_switching(moving_and_stalled, other, model)
    np.testing.assert_allclose(together.chance[:, :, 1], alone.chance[:, :, 0])


def test_paths_have_the_mean_and_spread_of_the_exact_conditional(one):
    mean, cov, _ = conditioned(one, NO_STALLS)
    paths = draw_paths(one, NO_STALLS, 20_000, np.random.default_rng(1))
    drawn = np.stack([paths.level, paths.gain], axis=1).reshape(-1, 20_000)
    spread = np.sqrt(np.diag(cov))
    assert (np.abs(drawn.mean(axis=1) - mean) < 4 * spread / np.sqrt(20_000)).all()
    np.testing.assert_allclose(np.cov(drawn), cov, atol=0.03 * spread.max() ** 2)
    assert not paths.stalled.any()


def test_the_state_follows_the_stall(moving_and_stalled):
    model = fit_switching(moving_and_stalled)
    state = follow_switching(moving_and_stalled, moving_and_stalled.level, model)
    chance = state.chance[STALLED, :, 0].reshape(100, 60)
    assert chance[::2, -1].mean() > 0.7
    assert chance[1::2, -1].mean() < 0.4
    np.testing.assert_allclose(state.chance.sum(axis=0), 1.0)


def test_fitted_constants_are_finite_and_inside_their_bounds(moving_and_stalled):
    model = fit_switching(moving_and_stalled)
    assert 0.0005 <= model.shift <= 0.03
    assert 0.002 <= model.wiggle < 0.05
