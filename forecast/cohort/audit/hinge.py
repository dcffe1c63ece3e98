"""Whether a higher margin shortens the time on the next rung, and from which mark on no longer.

log weeks = controls + slope * min(margin - mark, 0) + noise: falling up to the mark, flat after.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from forecast.cohort.audit.interval_regression import IntervalFit, fit_intervals
from forecast.types import Array, Ints

SIMULATIONS = 999
KNOTS = 25
INNER = (0.15, 0.85)
"""Marks are looked for between these quantiles of the margins: outside, one side is empty."""
RIDGE = 1.0 / 25.0**2
"""A slope of 25 residual standard deviations a unit of margin is one standard deviation of a weak
prior: margins a tenth apart would then go with a factor of three and more in weeks."""
WIDER = 1.4
"""The profile is cut this much lower than chi-square says. On four planted worlds of 50 seeds
(``docs/method/cohort.md``) the 90 % cut-off of the true mark's loss was 2.4, 3.4, 3.7 and 4.3 times
the robust factor, not 2.7: a few hundred moves are no asymptotics for a kink."""
OUTER = (0.02, 0.98)
"""The interval is read off a profile that reaches this far, so that it can be seen to be open."""


@dataclass(frozen=True, slots=True)
class MovesData:
    """n moves from one rung to the next.

    ``margin`` (n,) log of value over target; ``lower``, ``upper`` (n,) bounds of log weeks on the
    next rung; ``controls`` (n, k) with an intercept; ``cluster`` (n,) number of the athlete.
    """

    margin: Array
    lower: Array
    upper: Array
    controls: Array
    cluster: Ints


@dataclass(frozen=True, slots=True)
class HingeFit:
    """What the margins say about the weeks on the next rung.

    Attributes
    ----------
    mark, mark_low, mark_high
        Margin (log of value over target) from which on the time is flat, and its interval;
        an end that the data leave open is infinite.
    slope
        Change of log weeks per unit of margin below the mark.
    linear, linear_se
        The same with no mark (a straight line over all margins), error clustered by athlete.
    p_effect, p_bend
        Chance of so clear a fall somewhere if margins did not matter, and of so clear a bend if
        the fall went on at one rate.
    profile
        Shape (m, 2): marks, and twice the log likelihood lost against the best one.
    """

    mark: float
    mark_low: float
    mark_high: float
    slope: float
    linear: float
    linear_se: float
    p_effect: float
    p_bend: float
    profile: Array


def fit_hinge(data: MovesData, *, level: float, seed: int) -> HingeFit:
    """Fit the hinge, test it against "no effect" and "no bend", and bound its mark.

    ``level`` is that of the mark's interval, ``seed`` that of the simulated score processes;
    margins must differ. Raises ``FitError`` if the regression of log weeks can't be solved.

    Notes
    -----
    Where the mark is unknown under the null, a likelihood ratio has no chi-square law (Davies
    1987, Biometrika 74:33). Both p-values are of the largest of the score statistics over the
    marks, its law simulated with normal multipliers (Hansen 1996, Econometrica 64:413), one
    multiplier an athlete, so that several moves of one athlete count as such. The interval
    inverts the profile likelihood, whose drop is chi-square for a continuous hinge (Feder 1975,
    Ann. Statist. 3:49), scaled by robust over model variance of the mark and by ``WIDER``.
    """
    rng = np.random.default_rng(seed)
    x = data.margin
    inner = _marks(x, *INNER)
    nothing = fit_intervals(data.controls, data.lower, data.upper)
    falls = np.minimum(x[:, None] - np.append(inner, x.max())[None, :], 0.0)
    p_effect = _sup_score(nothing, data, data.controls, -falls, rng)
    straight = np.column_stack([data.controls, x])
    line = fit_intervals(straight, data.lower, data.upper, ridge_last=RIDGE)
    bends = np.maximum(x[:, None] - inner[None, :], 0.0)
    p_bend = _sup_score(line, data, straight, bends, rng)
    robust = _robust_covariance(line, data.cluster, line.scores, line.information)
    linear, linear_se = _last_effect(line, robust)
    mark, slope, low, high, profile = _profile(data, nothing, level)
    return HingeFit(mark, low, high, slope, linear, linear_se, p_effect, p_bend, profile)


def _marks(x: Array, low: float, high: float) -> Array:
    return np.unique(np.quantile(x, np.linspace(low, high, KNOTS)))


def _sup_score(
    null: IntervalFit, data: MovesData, design: Array, added: Array, rng: np.random.Generator
) -> float:
    """Return the p-value of the largest one-sided score statistic over the added columns.

    ``added`` (n, m): the alternative is a positive effect on log weeks of one of them.
    """
    tied = np.vstack([(design * null.row_curve[:, :1]).T @ added, null.row_curve[:, 1] @ added])
    weights = np.linalg.solve(null.information, tied)
    efficient = added * null.row_score[:, None] - null.scores @ weights
    by_athlete = _sum_by(efficient, data.cluster)
    scale = np.sqrt((by_athlete**2).sum(axis=0))
    usable = scale > 1e-9
    standard = by_athlete[:, usable] / scale[usable]
    seen = standard.sum(axis=0).max()
    chance = (rng.standard_normal((SIMULATIONS, len(standard))) @ standard).max(axis=1)
    return float((1 + (chance >= seen).sum()) / (SIMULATIONS + 1))


def _sum_by(values: Array, cluster: Ints) -> Array:
    _, who = np.unique(cluster, return_inverse=True)
    total = np.zeros((int(who.max()) + 1, values.shape[1]))
    np.add.at(total, who, values)
    return total


def _robust_covariance(fit: IntervalFit, cluster: Ints, scores: Array, information: Array) -> Array:
    """Sandwich covariance in the scaled form, clustered by athlete."""
    bread = np.linalg.inv(information)
    meat = _sum_by(scores, cluster)
    n = len(meat)
    return np.asarray(bread @ (meat.T @ meat) @ bread * n / (n - 1))


def _last_effect(fit: IntervalFit, cov: Array) -> tuple[float, float]:
    """Last coefficient on log weeks and its standard error, by the delta method."""
    last, inverse_sigma = fit.theta[-2], fit.theta[-1]
    gradient = np.zeros(len(fit.theta))
    gradient[-2], gradient[-1] = 1.0 / inverse_sigma, -last / inverse_sigma**2
    return float(last / inverse_sigma), float(np.sqrt(gradient @ cov @ gradient))


def _profile(
    data: MovesData, nothing: IntervalFit, level: float
) -> tuple[float, float, float, float, Array]:
    """Mark, slope, interval and profile of the log likelihood over the marks."""
    marks = np.unique(np.concatenate([_marks(data.margin, *OUTER), _marks(data.margin, *INNER)]))
    fits: list[IntervalFit] = []
    start = np.concatenate([nothing.theta[:-1], [0.0], nothing.theta[-1:]])
    for mark in marks:
        design = np.column_stack([data.controls, np.minimum(data.margin - mark, 0.0)])
        fits.append(fit_intervals(design, data.lower, data.upper, start, ridge_last=RIDGE))
        start = fits[-1].theta
    height = np.array([fit.log_likelihood for fit in fits])
    best = int(np.argmax(height))
    mark, fit = float(marks[best]), fits[best]
    loss = 2.0 * (height[best] - height)
    allowed = WIDER * chi2.ppf(level, 1) * _spread_factor(data, fit, mark)
    inside = np.flatnonzero(loss <= allowed)
    low = _crossing(marks, loss, allowed, inside[0], -1)
    high = _crossing(marks, loss, allowed, inside[-1], 1)
    return mark, float(fit.coefficients[-1]), low, high, np.column_stack([marks, loss])


def _spread_factor(data: MovesData, fit: IntervalFit, mark: float) -> float:
    """Robust over model variance of the mark; 1 where its own score says nothing."""
    below = np.minimum(data.margin - mark, 0.0)
    moved = np.where(data.margin < mark, -fit.theta[-2], 0.0)
    design = np.column_stack([data.controls, below, moved])
    scores = np.column_stack([design * fit.row_score[:, None], fit.scores[:, -1]])
    k = design.shape[1]
    information = np.empty((k + 1, k + 1))
    information[:k, :k] = (design * fit.row_curve[:, :1]).T @ design
    information[:k, k] = information[k, :k] = design.T @ fit.row_curve[:, 1]
    information[k, k] = fit.information[-1, -1]
    if np.linalg.cond(information) > 1e12:
        return 1.0
    robust = _robust_covariance(fit, data.cluster, scores, information)
    model = np.linalg.inv(information)
    return float(max(robust[k - 1, k - 1] / model[k - 1, k - 1], 1.0))


def _crossing(marks: Array, loss: Array, allowed: float, at: int, step: int) -> float:
    """Where the profile crosses the allowed loss, by a straight line; infinite past the grid."""
    beyond = at + step
    if not 0 <= beyond < len(marks):
        return float(step * np.inf)
    share = (allowed - loss[at]) / (loss[beyond] - loss[at])
    return float(marks[at] + share * (marks[beyond] - marks[at]))


def effect_interval(effect: float, error: float, level: float) -> tuple[float, float]:
    """Normal interval of an effect."""
    z = float(norm.ppf((1 + level) / 2))
    return effect - z * error, effect + z * error
