"""A Weibull accelerated-failure-time regression on landmark figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize

from forecast.backtest.baselines.at_cut import AtCut, CutForecast, long_curve
from forecast.backtest.baselines.landmarks import FEATURES, open_rows, training_rows
from forecast.errors import FitError
from forecast.types import Array

MIN_EVENTS = 10
RIDGE = 1.0
"""Penalty on standardised effects, worth one athlete's word that the effect is about 0."""


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Effects on log weeks, and the scale: ``log T = x b + scale * W``, W standard Gumbel (min).

    ``effects`` (k + 1,) has the intercept first; 1 / ``scale`` is the Weibull shape;
    ``log_likelihood`` is at the maximum, without the penalty, on the scale of weeks.
    """

    effects: Array
    scale: float
    log_likelihood: float


def weibull_landmark(known: AtCut) -> CutForecast:
    """Forecast by Weibull regression of weeks to go on level, slope, attendance, age and rung.

    Curves are ``1 - exp(-(w / exp(x b))**(1 / scale))``. Raises ``FitError`` if fewer than
    ``MIN_EVENTS`` landmark rows end in a clearing, or no maximum is found.
    """
    train, now = training_rows(known), open_rows(known)
    events = int(train["cleared"].sum())
    if events < MIN_EVENTS:
        raise FitError(
            f"Weibull regression needs {MIN_EVENTS} landmarks that end in a clearing; "
            f"there are {events} before {known.as_of.date()}"
        )
    design, asked = _design(train, now)
    fit = fit_weibull(design, train["weeks"].to_numpy(), train["cleared"].to_numpy(), ridge=RIDGE)
    mean_log = fit.effects[0] + asked @ fit.effects[1:]
    z = (np.log(known.weeks)[None, :] - mean_log[:, None]) / fit.scale
    return CutForecast(long_curve(known, -np.expm1(-np.exp(np.minimum(z, 50.0)))))


def fit_weibull(x: Array, weeks: Array, cleared: Array, *, ridge: float = 0.0) -> WeibullFit:
    """Maximise the right-censored Weibull likelihood, less ``ridge / 2`` times the effects squared.

    Parameters
    ----------
    x
        Covariates without an intercept, shape (n, k).
    weeks
        Positive times, shape (n,).
    cleared
        True for a clearing, shape (n,).
    ridge
        Penalty on all effects but the intercept.

    Raises
    ------
    FitError
        If the optimiser does not reach a flat point.

    References
    ----------
    J. Kalbfleisch, R. Prentice (2002), The Statistical Analysis of Failure Time Data, 2nd ed.,
    section 3.6.
    """
    design = np.column_stack([np.ones(len(x)), x])
    log_weeks, done = np.log(weeks), np.asarray(cleared, float)
    penalty = np.r_[0.0, np.full(x.shape[1], ridge)]

    def loss(theta: Array) -> tuple[float, Array]:
        b, log_scale = theta[:-1], theta[-1]
        z = (log_weeks - design @ b) / np.exp(log_scale)
        risk = np.exp(np.minimum(z, 50.0))
        fit = np.sum(done * (z - log_scale) - risk) - np.sum(penalty * b**2) / 2
        score = risk - done  # minus the derivative of the fit by z
        by_b = design.T @ score / np.exp(log_scale) - penalty * b
        by_scale = np.sum(score * z) - done.sum()
        return -fit, -np.r_[by_b, by_scale]

    start = np.r_[log_weeks.mean(), np.zeros(x.shape[1]), 0.0]
    best = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 1000})
    steep = np.max(np.abs(best.jac)) / max(1.0, done.sum())
    if not np.all(np.isfinite(best.x)) or steep > 1e-2:
        raise FitError(f"the Weibull regression did not converge: {best.message}")
    b = best.x[:-1]
    log_likelihood = -best.fun + np.sum(penalty * b**2) / 2 - np.sum(done * log_weeks)
    return WeibullFit(b, float(np.exp(best.x[-1])), float(log_likelihood))


def _design(train: pd.DataFrame, now: pd.DataFrame) -> tuple[Array, Array]:
    """Standardised figures and rung indicators of the training rows and of the rows asked."""
    rungs = sorted(train["rung"].unique())
    both = []
    for rows in (train, now):
        dummies = (rows["rung"].to_numpy()[:, None] == np.array(rungs)[None, :]).astype(float)
        both.append(np.column_stack([rows[list(FEATURES)].to_numpy(float), dummies]))
    mean, sd = both[0].mean(axis=0), both[0].std(axis=0)
    sd = np.where(sd > 0, sd, 1.0)
    return (both[0] - mean) / sd, (both[1] - mean) / sd
