"""Normal regression of log weeks known only to lie between two bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from forecast.errors import FitError
from forecast.types import Array

MAX_STEPS = 60
DECREMENT = 1e-6
"""Newton stops when the log likelihood has less than half of this to gain."""
HAIR = 1e-10
LONGEST_STEP = 5.0


@dataclass(frozen=True, slots=True)
class IntervalFit:
    """A fitted regression of n rows on k columns, in Olsen's form.

    Attributes
    ----------
    theta
        Shape (k + 1,): coefficients over sigma, then 1 / sigma.
    log_likelihood
        At the maximum.
    scores, row_score
        Each row's score, (n, k + 1), and derivative in its (scaled) linear predictor, (n,).
    row_curve
        Shape (n, 2): minus the second derivative in the predictor, and the cross one in 1 / sigma.
    information
        Shape (k + 1, k + 1): minus the second derivative of the log likelihood.
    """

    theta: Array
    log_likelihood: float
    scores: Array
    row_score: Array
    row_curve: Array
    information: Array

    @property
    def coefficients(self) -> Array:
        """Effects on log weeks, shape (k,)."""
        return np.asarray(self.theta[:-1] / self.theta[-1])

    @property
    def sigma(self) -> float:
        """Residual standard deviation of log weeks."""
        return float(1.0 / self.theta[-1])


def fit_intervals(
    design: Array,
    lower: Array,
    upper: Array,
    start: Array | None = None,
    *,
    ridge_last: float = 0.0,
) -> IntervalFit:
    """Fit ``log weeks = design @ beta + sigma * N(0, 1)`` to intervals by Newton's method.

    In the scaled form (beta / sigma, 1 / sigma) the log likelihood is concave (Olsen 1978,
    Econometrica 46:1211; Burridge 1981, JRSS B 43:41), so what Newton finds is the maximum.

    Parameters
    ----------
    design
        Shape (n, k), full column rank.
    lower, upper
        Shape (n,), bounds of log weeks; ``-inf`` and ``inf`` where there is none.
    start
        Shape (k + 1,), where to start in the scaled form.
    ridge_last
        Half of it times the square of the last (scaled) coefficient is taken off the log
        likelihood, so that a few rows can't leave that effect without bound.

    Raises
    ------
    FitError
        Columns repeat each other, or Newton's method has not settled.
    """
    if start is None and np.linalg.matrix_rank(design) < design.shape[1]:
        raise FitError(
            "The regression of log weeks can't be solved: two of its columns repeat each other."
        )
    low = np.where(np.isfinite(lower), lower, 0.0)
    high = np.where(np.isfinite(upper), upper, 0.0)
    free = (~np.isfinite(lower), ~np.isfinite(upper))
    theta = _start(design, lower, upper) if start is None else start
    penalty = np.zeros(len(theta))
    penalty[-2] = ridge_last

    def height(fit: IntervalFit) -> float:
        return fit.log_likelihood - 0.5 * float(penalty @ fit.theta**2)

    now = _evaluate(theta, design, low, high, free)
    hair = HAIR * np.trace(now.information) * np.eye(len(theta)) + np.diag(penalty)
    for _ in range(MAX_STEPS):
        gradient = now.scores.sum(axis=0) - penalty * theta
        # The hair on the diagonal keeps the step finite where a few rows leave an effect without
        # bound and the curvature in it vanishes.
        step = np.linalg.solve(now.information + hair, gradient)
        # Half of this is what the log likelihood still has to gain, to second order.
        if gradient @ step < DECREMENT:
            return now
        # No row moves by more than a few standard deviations at once: far out there is no slope.
        reach = np.abs(design @ step[:-1]) + abs(step[-1]) * np.maximum(np.abs(low), np.abs(high))
        size = min(1.0, LONGEST_STEP / max(float(reach.max()), 1e-12))
        while True:
            trial = theta + size * step
            there = _evaluate(trial, design, low, high, free) if trial[-1] > 0 else None
            if there is not None and height(there) > height(now):
                break
            size *= 0.5
            if size < 1e-6:
                raise FitError("The regression of log weeks did not settle; too few rows moved.")
        theta, now = trial, there
    raise FitError(f"The regression of log weeks did not settle after {MAX_STEPS} steps.")


def _start(design: Array, lower: Array, upper: Array) -> Array:
    """Least squares on the bound that is known, with the spread it leaves."""
    known = np.where(np.isfinite(upper), upper, lower)
    known = np.where(np.isfinite(known), known, 0.0)
    beta, *_ = np.linalg.lstsq(design, known, rcond=None)
    scale = max(float(np.std(known - design @ beta)), 0.1)
    return np.append(beta / scale, 1.0 / scale)


def _evaluate(
    theta: Array, design: Array, low: Array, high: Array, free: tuple[NDArray, NDArray]
) -> IntervalFit:
    """Log likelihood, scores and curvature at one point."""
    predictor = design @ theta[:-1]
    a = np.where(free[0], -np.inf, theta[-1] * low - predictor)
    b = np.where(free[1], np.inf, theta[-1] * high - predictor)
    log_mass = _log_normal_mass(a, b)
    # Densities over mass, on the log scale so that far tails stay finite.
    at_a = np.where(free[0], 0.0, np.exp(-0.5 * np.where(free[0], 0, a) ** 2 - _ROOT - log_mass))
    at_b = np.where(free[1], 0.0, np.exp(-0.5 * np.where(free[1], 0, b) ** 2 - _ROOT - log_mass))
    a0, b0 = np.where(free[0], 0.0, a), np.where(free[1], 0.0, b)
    g_a, g_b = -at_a, at_b
    h_aa, h_bb, h_ab = a0 * at_a - at_a**2, -b0 * at_b - at_b**2, at_a * at_b
    row_score = -(g_a + g_b)
    theta_score = g_a * low + g_b * high
    curve = -(h_aa + h_bb + 2 * h_ab)
    cross = (h_aa + h_ab) * low + (h_bb + h_ab) * high
    own = -(h_aa * low**2 + h_bb * high**2 + 2 * h_ab * low * high)
    k = design.shape[1]
    information = np.empty((k + 1, k + 1))
    information[:k, :k] = (design * curve[:, None]).T @ design
    information[:k, k] = information[k, :k] = design.T @ cross
    information[k, k] = own.sum()
    return IntervalFit(
        theta=theta,
        log_likelihood=float(log_mass.sum()),
        scores=np.column_stack([design * row_score[:, None], theta_score]),
        row_score=row_score,
        row_curve=np.column_stack([curve, cross]),
        information=information,
    )


_ROOT = 0.5 * float(np.log(2.0 * np.pi))


def _log_normal_mass(a: Array, b: Array) -> Array:
    """log(Phi(b) - Phi(a)) without losing the upper tail."""
    flip = a > 0
    left, right = np.where(flip, -b, a), np.where(flip, -a, b)
    top, bottom = log_ndtr(right), log_ndtr(left)
    return np.asarray(top + np.log1p(-np.exp(np.minimum(bottom - top, -1e-12))))
