"""The growth engine's filter as a mixed model, a local level and a censored regression.

Each is a special case of the engine with something switched off, for which printed estimates
exist. "From memory" marks a printed value quoted without re-reading its page.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from forecast.growth.evidence import Noise, evidence_slopes, forward_pass
from forecast.growth.motion import Clock, Dynamics, stretches

STRAIGHT = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=0.0, detraining=0.0)
WIDTH = 1e-3


def set_noise(sd: float) -> Noise:
    """Normal noise of the day, with next to nothing of its tails and of the set's own noise."""
    day, one_set = np.full(4, sd), np.full(4, 1e-3 * sd)
    return Noise(day, one_set, 0.0, 0.0, 0.0, day_down=1e-4, day_up=1e-4, knee=30.0)


class SleepStudy:
    """Reaction times (ms) of 18 people over days 0 to 9, as 18 spells of 10 sessions."""

    def __init__(self, table, exact_panel):
        table = table.sort_values(["Subject", "Days"])
        self.subjects = table["Subject"].unique().tolist()
        gaps = np.where(table["Days"] == 0, 0.0, 1.0)
        lengths = table.groupby("Subject").size().to_numpy()
        self.panel = exact_panel(table["Reaction"], gaps, lengths, width=WIDTH)

    def filtered(self, fixed, sd, correlation, residual):
        """Run the filter with random intercepts and slopes about ``fixed``."""
        n = len(self.subjects)
        cov = np.zeros((3, 3))
        cov[0, 0], cov[2, 2] = sd[0] ** 2, sd[1] ** 2
        cov[0, 2] = cov[2, 0] = correlation * sd[0] * sd[1]
        mean = np.tile([fixed[0], 0.0, fixed[1]], (n, 1))
        return forward_pass(
            self.panel,
            stretches(self.panel, Clock(), STRAIGHT),
            set_noise(residual),
            mean,
            np.tile(cov, (n, 1, 1)),
            1.0,
        )

    def log_likelihood(self, fixed, sd, correlation, residual):
        evidence = self.filtered(fixed, sd, correlation, residual).log_evidence
        return float(np.sum(evidence - np.log(WIDTH)))


@pytest.fixture
def sleep(load, exact_panel):
    return SleepStudy(load("lme4", "sleepstudy"), exact_panel)


# Bates, Maechler, Bolker & Walker 2015, JSS 67(1), from memory: -875.97. R 4.2.2:
# lmer(Reaction ~ Days + (Days | Subject), REML = FALSE) gives -875.9697 at these estimates.
def test_mixed_model_log_likelihood(sleep):
    ours = sleep.log_likelihood((251.405, 10.467), (23.78, 5.717), 0.0813, 25.592)
    assert ours == pytest.approx(-875.9697, abs=1e-3)


def test_mixed_model_estimates(sleep):
    def loss(theta):
        sd, residual = np.exp(theta[2:4]), float(np.exp(theta[5]))
        return -sleep.log_likelihood(theta[:2] * [100, 10], sd, np.tanh(theta[4]), residual)

    start = np.array([3.0, 0.5, np.log(40), np.log(3), 0.0, np.log(40)])
    best = minimize(loss, start, method="L-BFGS-B", options={"maxiter": 200})
    assert -best.fun == pytest.approx(-875.9697, abs=1e-3)
    np.testing.assert_allclose(best.x[:2] * [100, 10], [251.405, 10.467], rtol=1e-3)
    np.testing.assert_allclose(np.exp(best.x[2:4]), [23.78, 5.717], rtol=5e-3)
    assert np.tanh(best.x[4]) == pytest.approx(0.0813, abs=5e-3)
    assert np.exp(best.x[5]) == pytest.approx(25.592, rel=2e-3)


# R: ranef(lmer(Reaction ~ Days + (Days | Subject))) with condVar, at the REML estimates.
def test_each_persons_line_is_shrunk_as_in_r(sleep):
    fixed = (251.4051, 10.4673)
    sd = np.sqrt([612.100, 35.072])
    last = sleep.panel.start + sleep.panel.length - 1
    fit = sleep.filtered(fixed, sd, 0.066, np.sqrt(654.940))
    slope = fit.mean[last, 2]
    intercept = fit.mean[last, 0] - 9 * slope
    rows = [sleep.subjects.index(subject) for subject in (308, 309, 310)]
    ours = np.column_stack([intercept - fixed[0], slope - fixed[1]])[rows]
    expected = [[2.2586, 9.1990], [-40.3987, -8.6197], [-38.9604, -5.4489]]
    np.testing.assert_allclose(ours, expected, atol=1e-2)
    back = np.array([[1.0, 0.0, -9.0], [0.0, 0.0, 1.0]])
    cov = back @ fit.cov[last[rows[0]]] @ back.T
    np.testing.assert_allclose(cov, [[145.7056, -21.4445], [-21.4445, 5.3123]], rtol=2e-3)


# Durbin & Koopman 2012, ch. 2, from memory: last filtered variance about 4032. statsmodels 0.15,
# exact diffuse start: log-likelihood -633.464564, last level 798.370 (4032.158), next value
# 798.370 with variance 20600.26. R StructTS: 798.368.
def test_local_level_of_the_nile(load, exact_panel):
    flow = load("datasets", "Nile")["value"].to_numpy(float)
    noise_var, level_var = 15099.0, 1469.1
    gaps = np.r_[0.0, np.ones(len(flow) - 1)]
    panel = exact_panel(flow, gaps, [len(flow)], width=WIDTH)
    wandering = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=np.sqrt(level_var), detraining=0.0)
    vague = 1e10
    fit = forward_pass(
        panel,
        stretches(panel, Clock(), wandering),
        set_noise(np.sqrt(noise_var)),
        np.zeros((1, 3)),
        np.diag([vague, 0.0, 0.0])[None],
        1.0,
    )
    assert fit.mean[-1, 0] == pytest.approx(798.370, abs=0.01)
    assert fit.cov[-1, 0, 0] == pytest.approx(4032.158, abs=0.01)
    assert fit.cov[-1, 0, 0] + level_var + noise_var == pytest.approx(20600.26, abs=0.01)
    # A diffuse start is a vague one whose log standard deviation is taken out.
    log_likelihood = np.sum(fit.log_evidence - np.log(WIDTH)) + 0.5 * np.log(vague)
    assert log_likelihood == pytest.approx(-633.464564, abs=0.01)


def censored_log_likelihood(exact_panel, y, mean, sigma):
    """Sum over rows, those at 0 known only to be at or below it."""
    panel = exact_panel(y, np.zeros(len(y)), np.ones(len(y), dtype=int), width=WIDTH)
    at_limit = y <= 0
    panel.lower[at_limit], panel.upper[at_limit], panel.ceiling[at_limit] = -np.inf, 0.0, 0.0
    # Here the noise is the set's, and all normal: a sharp bound has no place in quadrature.
    noise = Noise(np.full(4, 1e-7), np.full(4, sigma), 0.0, 0.0, 0.0, 1e-4, 1e-4, knee=30.0)
    evidence, _ = evidence_slopes(panel, noise, mean, np.full(len(y), 1e-8), 1.0)
    return float(evidence - np.sum(np.where(at_limit, 0.0, np.log(WIDTH))))


# Tobin 1958, Econometrica 26:24. R: survreg(Surv(durable, durable > 0, type = "left") ~ age +
# quant, dist = "gaussian"): 15.144866, -.129059, -.045542, sigma 5.572540, log-lik. -28.940133.
def test_censored_regression_of_durable_goods(load, exact_panel):
    table = load("survival", "tobin")
    y = table["durable"].to_numpy(float)
    x = np.column_stack([np.ones(len(y)), table["age"], table["quant"]])
    centre, scale = x.mean(axis=0), np.r_[1.0, x[:, 1:].std(axis=0)]
    scaled = np.column_stack([x[:, 0], (x[:, 1:] - centre[1:]) / scale[1:]])

    def loss(theta):
        sigma = float(np.exp(theta[3]))
        return -censored_log_likelihood(exact_panel, y, scaled @ theta[:3], sigma)

    start = np.r_[y.mean(), 0.0, 0.0, np.log(y.std())]
    best = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})
    effects = best.x[1:3] / scale[1:]
    intercept = best.x[0] - effects @ centre[1:]
    assert -best.fun == pytest.approx(-28.940133, abs=1e-4)
    np.testing.assert_allclose([intercept, *effects], [15.144866, -0.129059, -0.045542], rtol=1e-3)
    assert np.exp(best.x[3]) == pytest.approx(5.572540, abs=1e-3)


# Kleiber & Zeileis 2008, Applied Econometrics with R, section 5, from memory: -705.6, scale 8.25.
# R: tobit(affairs ~ age + yearsmarried + religiousness + occupation + rating): -705.5762.
def test_censored_regression_of_601_rows(load, exact_panel):
    table = load("AER", "Affairs")
    names = ["age", "yearsmarried", "religiousness", "occupation", "rating"]
    effects = np.array([-0.179333, 0.554142, -1.686220, 0.326053, -2.284973])
    mean = 8.174197 + table[names].to_numpy(float) @ effects
    y = table["affairs"].to_numpy(float)
    at_best = censored_log_likelihood(exact_panel, y, mean, 8.24708)
    assert at_best == pytest.approx(-705.5762, abs=1e-3)
    for shifted in (
        censored_log_likelihood(exact_panel, y, mean + 0.3, 8.24708),
        censored_log_likelihood(exact_panel, y, mean - 0.3, 8.24708),
        censored_log_likelihood(exact_panel, y, mean, 8.5),
        censored_log_likelihood(exact_panel, y, mean, 8.0),
    ):
        assert shifted < at_best - 1e-3
