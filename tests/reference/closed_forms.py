"""Scores with a formula: for checks, and for forecasts given as a law or as quantiles."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm

from forecast.errors import BacktestError
from forecast.types import Array


def crps_normal(observed: ArrayLike, mean: ArrayLike, sd: ArrayLike) -> Array:
    """CRPS of a normal forecast: ``sd * (z (2 Phi(z) - 1) + 2 phi(z) - 1/sqrt(pi))``.

    Raises
    ------
    BacktestError
        If ``sd`` is not positive.

    References
    ----------
    T. Gneiting, A. Raftery (2007), JASA 102:359-378, eq. 21 region.
    """
    spread = _positive(sd, "sd")
    z = (np.asarray(observed, float) - np.asarray(mean, float)) / spread
    return spread * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi))


def crps_lognormal(observed: ArrayLike, mean_log: ArrayLike, sd_log: ArrayLike) -> Array:
    """CRPS of a lognormal forecast with log mean m and log sd s, for ``observed`` y > 0.

    ``y (2 Phi(z) - 1) - 2 exp(m + s^2/2) (Phi(z - s) + Phi(s / sqrt 2) - 1)``,
    ``z = (log y - m) / s``.

    Raises
    ------
    BacktestError
        If ``sd_log`` or ``observed`` is not positive.

    References
    ----------
    S. Baran, S. Lerch (2015), Q. J. R. Meteorol. Soc. 141:2289-2299.
    """
    spread = _positive(sd_log, "sd_log")
    y = _positive(observed, "observed")
    m = np.asarray(mean_log, float)
    z = (np.log(y) - m) / spread
    tail = norm.cdf(z - spread) + norm.cdf(spread / np.sqrt(2)) - 1
    return y * (2 * norm.cdf(z) - 1) - 2 * np.exp(m + spread**2 / 2) * tail


def crps_exponential(observed: ArrayLike, rate: ArrayLike) -> Array:
    """CRPS of an exponential forecast: ``|y| - 2 (1 - exp(-r y)) / r + 1 / (2 r)``, y >= 0.

    Raises
    ------
    BacktestError
        If ``rate`` is not positive, or ``observed`` is negative.

    References
    ----------
    A. Jordan, F. Krueger, S. Lerch (2019), J. Stat. Softw. 90(12), appendix A.
    """
    r = _positive(rate, "rate")
    y = np.asarray(observed, float)
    if np.any(y < 0):
        raise BacktestError("observed must be zero or more for an exponential forecast")
    return y - 2 * -np.expm1(-r * y) / r + 1 / (2 * r)


def crps_ensemble(observed: ArrayLike, members: ArrayLike, *, fair: bool = False) -> Array:
    """CRPS of draws: ``mean |x - y| - mean |x - x'| / 2``; ``fair`` divides by m(m-1).

    Parameters
    ----------
    observed
        Outcomes, shape (...,).
    members
        Draws along the last axis, shape (..., m).
    fair
        True removes the bias of a small ensemble (C. Ferro 2014, QJRMS 140:1917-1923).

    Raises
    ------
    BacktestError
        If ``fair`` is asked of fewer than two draws.
    """
    draws = np.sort(np.asarray(members, float), axis=-1)
    m = draws.shape[-1]
    if fair and m < 2:
        raise BacktestError("the fair CRPS needs two draws or more")
    error = np.abs(draws - np.asarray(observed, float)[..., None]).mean(axis=-1)
    rank = 2 * np.arange(1, m + 1) - m - 1
    spread = (draws * rank).sum(axis=-1) / (m * (m - 1) if fair else m * m)
    return error - spread


def interval_score(
    observed: ArrayLike, lower: ArrayLike, upper: ArrayLike, alpha: ArrayLike
) -> Array:
    """Interval score of a central (1 - alpha) range; width plus 2/alpha times any miss.

    Raises
    ------
    BacktestError
        If a lower end lies above its upper end.

    References
    ----------
    T. Gneiting, A. Raftery (2007), JASA 102:359-378, eq. 43.
    """
    y, low, high = (np.asarray(x, float) for x in (observed, lower, upper))
    if np.any(low > high):
        raise BacktestError("the lower end of a range lies above its upper end")
    miss = np.maximum(low - y, 0) + np.maximum(y - high, 0)
    return high - low + 2 / np.asarray(alpha, float) * miss


def pinball(observed: ArrayLike, quantile: ArrayLike, share: ArrayLike) -> Array:
    """Pinball (quantile) loss: ``(y - q) (share - 1{y < q})``.

    References
    ----------
    R. Koenker, G. Bassett (1978), Econometrica 46:33-50.
    """
    gap = np.asarray(observed, float) - np.asarray(quantile, float)
    return gap * (np.asarray(share, float) - (gap < 0))


def weighted_interval_score(
    observed: ArrayLike,
    median: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    alpha: ArrayLike,
) -> Array:
    """Weighted interval score: ``(|y - m|/2 + sum_k alpha_k/2 * IS_k) / (K + 1/2)``.

    Parameters
    ----------
    observed, median
        Shape (...,).
    lower, upper
        Ends of the K central ranges, shape (..., K).
    alpha
        Their miss rates, shape (K,); 0.2 for an 80 % range.

    References
    ----------
    J. Bracher, E. Ray, T. Gneiting, N. Reich (2021), PLoS Comput. Biol. 17:e1008618, eq. 1.
    """
    y, a = np.asarray(observed, float), np.asarray(alpha, float)
    ranges = interval_score(y[..., None], lower, upper, a)
    middle = np.abs(y - np.asarray(median, float)) / 2
    return (middle + (a / 2 * ranges).sum(axis=-1)) / (a.size + 0.5)


def _positive(value: ArrayLike, name: str) -> Array:
    array = np.asarray(value, float)
    if not np.all(array > 0):
        raise BacktestError(f"{name} must be positive")
    return array
