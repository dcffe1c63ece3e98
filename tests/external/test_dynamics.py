"""The motion of the level: integrated Ornstein-Uhlenbeck process, and its filter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import dblquad
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from forecast.growth.evidence import Noise, forward_pass
from forecast.growth.motion import (
    Clock,
    Dynamics,
    decay_terms,
    propagate,
    stretches,
    transition_covariance,
)


def integrated_ou_covariance(s, t, alpha, sigma):
    """Cov(W(s), W(t)) in stationarity, with the diffusion sigma (Taylor et al. 1994, eq. 4)."""
    bracket = (
        2.0 * alpha * np.minimum(s, t)
        + np.exp(-alpha * t)
        + np.exp(-alpha * s)
        - 1.0
        - np.exp(-alpha * np.abs(t - s))
    )
    return sigma**2 / (2.0 * alpha**3) * bracket


# Taylor, Cumberland & Sy 1994, JASA 89:727; values by double quadrature of the OU covariance. The
# first is exp(-1) exactly.
@pytest.mark.parametrize(
    ("s", "t", "alpha", "sigma", "expected"),
    [
        (1, 1, 1, 1, 0.36787944),
        (1, 2, 0.5, 1.5, 3.31091497),
        (2, 5, 0.3, 0.7, 5.13022865),
    ],
)
def test_integrated_ou_covariance(s, t, alpha, sigma, expected):
    assert integrated_ou_covariance(s, t, alpha, sigma) == pytest.approx(expected, abs=1e-7)

    def ou_covariance(v, u):
        return sigma**2 / (2 * alpha) * np.exp(-alpha * abs(u - v))

    quadrature, _ = dblquad(ou_covariance, 0, s, 0, t, epsabs=1e-6)
    assert integrated_ou_covariance(s, t, alpha, sigma) == pytest.approx(quadrature, abs=1e-4)


# Fast reversion with sigma / alpha = 1.3 is Brownian motion of variance 1.69 a week; slow
# reversion with stationary variance 0.49 is a straight line of random slope: 0.49 * 1 * 2.
def test_integrated_ou_limits():
    assert integrated_ou_covariance(1, 2, 1e4, 1.3e4) == pytest.approx(1.69, abs=1e-3)
    slow = integrated_ou_covariance(1, 2, 1e-3, np.sqrt(2 * 1e-3 * 0.49))
    assert slow == pytest.approx(0.98, abs=1e-3)


# Two routes to one covariance: steps of the engine chained, and the closed form.
@pytest.mark.parametrize("alpha", [0.02, 0.3, 3.0])
@pytest.mark.parametrize("tau", [1 / 7, 1.0, 6.0])
def test_transition_agrees_with_the_closed_form(alpha, tau):
    swing_sd = 0.7
    motion = Dynamics(alpha=alpha, swing_sd=swing_sd, wiggle_sd=0.0, detraining=0.0)
    sigma = swing_sd * np.sqrt(2 * alpha)
    weeks = np.array([tau])
    level_var, cross, swing_var = transition_covariance(motion, weeks)
    decay, integral = decay_terms(alpha, weeks)
    # Unconditional: the swing starts with its stationary variance.
    at_tau = level_var + integral**2 * swing_sd**2
    swing_then = swing_var + decay**2 * swing_sd**2
    with_swing = cross + integral * decay * swing_sd**2
    _, next_integral = decay_terms(alpha, weeks * 2)
    np.testing.assert_allclose(swing_then, swing_sd**2, rtol=1e-9)
    closed = integrated_ou_covariance(weeks, weeks, alpha, sigma)
    np.testing.assert_allclose(at_tau, closed, rtol=1e-7)
    later = at_tau + with_swing * next_integral
    closed = integrated_ou_covariance(weeks, weeks * 3, alpha, sigma)
    np.testing.assert_allclose(later, closed, rtol=1e-7)


# The closed form loses its digits as reversion slows; its series in alpha tau does not:
# sd^2 tau^2 (1 - alpha tau / 3 + (alpha tau)^2 / 12 - ...).
@pytest.mark.parametrize("alpha", [1e-8, 1e-5, 1e-3])
def test_transition_stays_exact_as_reversion_slows(alpha):
    motion = Dynamics(alpha=alpha, swing_sd=0.7, wiggle_sd=0.0, detraining=0.0)
    weeks = np.array([1 / 7, 1.0, 6.0])
    level_var, _, _ = transition_covariance(motion, weeks)
    _, integral = decay_terms(alpha, weeks)
    at = alpha * weeks
    series = 0.49 * weeks**2 * (1 - at / 3 + at**2 / 12)
    np.testing.assert_allclose(level_var + integral**2 * 0.49, series, rtol=1e-7)
    # What is added given the start: 2/3 alpha sd^2 tau^3 to first order.
    np.testing.assert_allclose(level_var, 2 / 3 * alpha * 0.49 * weeks**3, rtol=6e-3)


def test_two_steps_are_one_long_step():
    motion = Dynamics(alpha=0.2, swing_sd=0.3, wiggle_sd=0.1, detraining=0.05)
    mean = np.array([[0.1, 0.2, -0.05]])
    cov = np.array([[[0.3, 0.02, 0.01], [0.02, 0.2, 0.03], [0.01, 0.03, 0.1]]])
    none = np.zeros(1)
    once = propagate(motion, mean, cov, np.array([3.0]), none)
    half = propagate(motion, mean, cov, np.array([1.2]), none)
    twice = propagate(motion, *half, np.array([1.8]), none)
    np.testing.assert_allclose(twice[0], once[0], atol=1e-12)
    np.testing.assert_allclose(twice[1], once[1], atol=1e-12)


# statsmodels 0.15 KalmanFilter with the same time-varying matrices, one spell at a time.
def statsmodels_filter(motion, set_sd, values, gaps, mean, cov):
    filter = KalmanFilter(k_endog=1, k_states=3)
    filter.bind(values.astype(float)[:, None])
    n = len(values)
    transition = np.zeros((3, 3, n))
    state_cov = np.zeros((3, 3, n))
    # statsmodels moves on after an observation, so its step t is the gap before t + 1.
    following = np.append(gaps[1:], 0.0)
    decay, integral = decay_terms(motion.alpha, following)
    level_var, cross, swing_var = transition_covariance(motion, following)
    transition[0, 0] = transition[2, 2] = 1
    transition[0, 1], transition[0, 2], transition[1, 1] = integral, following, decay
    state_cov[0, 0], state_cov[1, 1] = level_var, swing_var
    state_cov[0, 1] = state_cov[1, 0] = cross
    filter["design"] = np.array([[1.0, 0.0, 0.0]])
    filter["obs_cov"] = np.array([[set_sd**2]])
    filter["transition"], filter["state_cov"] = transition, state_cov
    filter["selection"] = np.eye(3)
    filter.initialize_known(mean, cov)
    return filter.filter()


def test_filter_agrees_with_statsmodels(exact_panel):
    rng = np.random.default_rng(3)
    motion = Dynamics(alpha=0.2, swing_sd=0.1, wiggle_sd=0.05, detraining=0.0)
    set_sd = 0.15
    # The tails are switched off: they have no counterpart in a Kalman filter.
    noise = Noise(
        np.full(4, set_sd), np.full(4, 1e-3 * set_sd), 0.0, 0.0, 0.0, 1e-4, 1e-4, knee=30.0
    )
    lengths = [12, 7, 3]
    n = sum(lengths)
    gaps = rng.uniform(0.2, 3.0, n)
    values = rng.normal(-0.3, 0.3, n)
    panel = exact_panel(values, gaps, lengths)
    mean = np.tile([-0.5, 0.05, 0.02], (3, 1))
    cov = np.tile(np.diag([0.3, 0.05, 0.01]), (3, 1, 1))
    ours = forward_pass(panel, stretches(panel, Clock(), motion), noise, mean, cov, 1.0)
    for spell, (start, length) in enumerate(zip(panel.start, lengths, strict=True)):
        rows = slice(start, start + length)
        other = statsmodels_filter(
            motion, set_sd, values[rows], gaps[rows], mean[spell], cov[spell]
        )
        np.testing.assert_allclose(ours.mean[rows], other.filtered_state.T, atol=1e-5)
        np.testing.assert_allclose(
            ours.cov[rows], np.moveaxis(other.filtered_state_cov, 2, 0), atol=1e-5
        )
        # A record of width 1e-4 has that much times the density for its probability.
        log_density = ours.log_evidence[rows] - np.log(1e-4)
        np.testing.assert_allclose(log_density, other.llf_obs, atol=1e-4)
