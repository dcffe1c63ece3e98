"""Scores against their formulas worked by hand, and against printed values.

Where no source is named beside a number, it is the formula worked out by hand or with SciPy.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from reference.closed_forms import (
    crps_ensemble,
    crps_exponential,
    crps_lognormal,
    crps_normal,
    interval_score,
    pinball,
    weighted_interval_score,
)
from scipy import integrate, stats
from statsmodels.duration.hazard_regression import PHReg

from forecast.backtest.baselines import fit_weibull
from forecast.backtest.scores import (
    CensoringCurve,
    auc_at,
    brier_at,
    censoring_curve,
    crps_from_curve,
    d_calibration,
    nobody_lost,
    uno_c,
)
from forecast.survival import kaplan_meier


# Gneiting & Raftery 2007, JASA 102:359; the first is (sqrt 2 - 1) / sqrt pi exactly.
@pytest.mark.parametrize(
    ("observed", "mean", "sd", "expected"),
    [
        (0, 0, 1, (np.sqrt(2) - 1) / np.sqrt(np.pi)),
        (0, 0, 1, 0.2336949773),
        (1, 0, 1, 0.6024413576),
        (0.3, 1, 2, 0.5641451322),
        (10, 8, 1.5, 1.2809009698),
    ],
)
def test_crps_of_a_normal(observed, mean, sd, expected):
    assert crps_normal(observed, mean, sd) == pytest.approx(expected, abs=1e-9)


def test_crps_of_a_lognormal_and_an_exponential():
    assert crps_lognormal(10, np.log(8), 0.4) == pytest.approx(1.2135548958, abs=1e-9)
    assert crps_exponential(3, 0.5) == pytest.approx(0.8925206406, abs=1e-9)


# By hand: mean |x - 2| = 1; mean |x - x'| over all 9 pairs 4/3, over the 6 unlike ones 2.
def test_crps_of_three_draws():
    assert crps_ensemble(2, [1, 2, 4]) == pytest.approx(1 / 3, abs=1e-12)
    assert crps_ensemble(2, [1, 2, 4], fair=True) == pytest.approx(0, abs=1e-12)


# The weekly curve score is the integral of a squared difference: SciPy's quadrature of it.
@pytest.mark.parametrize("observed", [0.0, 3.0, 7.5, 40.0])
def test_crps_of_a_weekly_curve_is_the_integral(observed):
    weeks = np.arange(1, 27)
    shares = stats.lognorm(0.5, scale=9).cdf(weeks)

    def error(t):
        return (np.interp(t, np.arange(27), np.r_[0, shares]) - (t >= observed)) ** 2

    breaks = np.unique(np.r_[np.arange(27.0), min(observed, 26)])
    pieces = [integrate.quad(error, a, b)[0] for a, b in pairwise(breaks)]
    ours = crps_from_curve(shares[None, :], [observed])
    assert ours == pytest.approx(sum(pieces), abs=1e-6)


# Gneiting & Raftery 2007, eq. 43, by hand.
@pytest.mark.parametrize(
    ("arguments", "expected"),
    [((5, 4, 8, 0.1), 4), ((3, 4, 8, 0.1), 24), ((9.5, 4, 8, 0.2), 19)],
)
def test_interval_score(arguments, expected):
    assert interval_score(*arguments) == pytest.approx(expected, abs=1e-12)


# Bracher et al. 2021, by hand: (|10 - 8| / 2 + 1.75 + 0.35) / 2.5.
def test_pinball_and_weighted_interval_score():
    assert pinball(10, 8, 0.9) == pytest.approx(1.8, abs=1e-12)
    assert pinball(10, 12, 0.9) == pytest.approx(0.2, abs=1e-12)
    score = weighted_interval_score(10, 8, [6, 5], [9, 12], [0.5, 0.1])
    assert score == pytest.approx(1.24, abs=1e-12)


# Graf et al. 1999, by hand: G is 0.8 after 2, so (.04 + .3125 + .05 + .0125 + .2) / 6.
def test_weighted_brier_of_six_rows():
    time = np.array([1, 3, 2, 5, 6, 4.0])
    cleared = np.array([1, 1, 0, 1, 0, 1], dtype=bool)
    survival = np.array([0.2, 0.5, 0.6, 0.8, 0.9, 0.6])
    gone = censoring_curve(time, cleared)
    score = brier_at(1 - survival, time, 3.5, cleared=cleared, censoring=gone).mean()
    assert score == pytest.approx(0.1025, abs=1e-12)


@pytest.fixture(scope="module")
def breast_cancer(load):
    """686 women of the German Breast Cancer Study and a Cox model (Efron) of all 8 covariates."""
    table = load("survival", "gbsg")
    names = ["hormon", "age", "meno", "size", "grade", "nodes", "pgr", "er"]
    x = table[names].to_numpy(float)
    time, event = table["rfstime"].to_numpy(float), table["status"].to_numpy(bool)
    fit = PHReg(time, x, status=event.astype(int), ties="efron").fit(disp=0)
    log_risk = (x - x.mean(axis=0)) @ fit.params
    own = censoring_curve(time, event)
    # The library whose values stand below weighs an event by 1/G(T), ours (after Graf et al.) by
    # 1/G(T-). Moving each loss a hair earlier makes the two the same.
    return time, event, log_risk, CensoringCurve(own.times - 1e-9, own.followed)


def cox_survival(time, event, log_risk, at):
    """Survival by Breslow's baseline, shape (len(at), n)."""
    risk = np.exp(log_risk)
    when = np.unique(time[event])
    steps = [(event & (time == t)).sum() / risk[time >= t].sum() for t in when]
    cumulative = np.r_[0, np.cumsum(steps)]
    return np.exp(-np.outer(cumulative[np.searchsorted(when, at, side="right")], risk))


# .20881843 is printed in scikit-survival's documentation of brier_score; the others were computed
# with scikit-survival 0.28.0 (integrated_brier_score over days 365 to 1825, KM as null model).
def test_brier_of_a_cox_model(breast_cancer):
    time, event, log_risk, gone = breast_cancer
    days = np.arange(365, 1826)
    survival = cox_survival(time, event, log_risk, days)
    scores = [
        brier_at(1 - row, time, day, cleared=event, censoring=gone).mean()
        for row, day in zip(survival, days, strict=True)
    ]
    assert scores[-1] == pytest.approx(0.20881843, abs=1e-6)
    assert np.trapezoid(scores, days) / (days[-1] - days[0]) == pytest.approx(0.18158531, abs=1e-6)
    null = np.full(len(time), 1 - kaplan_meier(None, time, event).at(1825))
    score = brier_at(null, time, 1825, cleared=event, censoring=gone).mean()
    assert score == pytest.approx(0.249998, abs=1e-6)


# scikit-survival 0.28.0: concordance_index_censored, concordance_index_ipcw (tau 1825 and none),
# cumulative_dynamic_auc at 365, 730 and 1825 days. Method: Uno et al. 2011.
def test_discrimination_of_a_cox_model(breast_cancer):
    time, event, log_risk, gone = breast_cancer
    ours = [
        uno_c(log_risk, time, event, censoring=nobody_lost()),
        uno_c(log_risk, time, event, tau=1825, censoring=gone),
        uno_c(log_risk, time, event, censoring=gone),
        *(auc_at(log_risk, time, event, day, censoring=gone) for day in (365, 730, 1825)),
    ]
    expected = [0.687928, 0.676532, 0.674073, 0.759924, 0.734996, 0.743986]
    np.testing.assert_allclose(ours, expected, atol=1e-5)


# Haider et al. 2020, JMLR 21:85, section 3.5, by hand.
def test_d_calibration_of_four_rows():
    test = d_calibration([0.95, 0.55, 0.25, 0.05], [True, False, True, False], bins=4)
    np.testing.assert_allclose(test.mass, [16 / 11, 16 / 11, 1 / 11, 1.0], atol=1e-12)
    assert test.statistic == pytest.approx(1.239669, abs=1e-6)
    assert test.p_value == pytest.approx(0.743507, abs=1e-6)


# Venables & Ripley, MASS, 4th ed. 2002, section 13.2, from memory: scale .732; R:
# survreg(Surv(time, event) ~ trt) gives 2.248352, 1.267335, log scale -.311709, -106.5795. The
# chi-squares were computed from that fit: 3.3616 (p .948) in 10 bins, 0.6036 (p .963) in 5.
def test_weibull_regression_and_its_own_calibration(leukaemia):
    time, event = leukaemia["time"].to_numpy(), leukaemia["event"].to_numpy()
    trt = leukaemia[["trt"]].to_numpy(float)
    fit = fit_weibull(trt, time, event)
    np.testing.assert_allclose(fit.effects, [2.248352, 1.267335], atol=1e-4)
    assert np.log(fit.scale) == pytest.approx(-0.311709, abs=1e-4)
    assert fit.scale == pytest.approx(0.732, abs=5e-4 + 1e-9)
    assert fit.log_likelihood == pytest.approx(-106.5795, abs=1e-4)
    scaled = time / np.exp(fit.effects[0] + fit.effects[1] * trt[:, 0])
    survival = np.exp(-(scaled ** (1 / fit.scale)))
    for bins, statistic, p_value in ((10, 3.3616, 0.948), (5, 0.6036, 0.963)):
        test = d_calibration(survival, event, bins=bins)
        assert test.statistic == pytest.approx(statistic, abs=3e-3)
        assert test.p_value == pytest.approx(p_value, abs=1e-3)
