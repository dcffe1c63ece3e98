"""Uncertainty of scores: whole athletes are drawn again, since their spells are alike."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from forecast.errors import BacktestError
from forecast.types import Array


def check_resamples(n_resamples: int) -> None:
    """Refuse a number of resamples that makes no sense, before any fit is made."""
    if n_resamples < 1:
        raise BacktestError(f"n_resamples = {n_resamples}; give one resample or more")


def cluster_multiplicities(
    clusters: ArrayLike, n_resamples: int = 500, *, seed: int | np.random.Generator = 0
) -> Array:
    """Draw clusters (athletes) with replacement; return how often each row then counts, (B, n).

    Rows (n,) of one cluster share their count. Each resample draws as many clusters as there are,
    so numbers of rows differ between resamples. Cluster bootstrap: C. Field, A. Welsh (2007), J. R.
    Statist. Soc. B 69:369-390. Raises ``BacktestError`` if there are no rows or no resamples.
    """
    _, member = np.unique(np.asarray(clusters), return_inverse=True)
    if not member.size or n_resamples < 1:
        raise BacktestError("resampling needs one row or more and one resample or more")
    k = int(member.max()) + 1
    drawn = np.random.default_rng(seed).multinomial(k, np.full(k, 1 / k), size=n_resamples)
    return drawn[:, member].astype(float)


def resampled_means(values: ArrayLike, multiplicity: ArrayLike, weights: ArrayLike) -> Array:
    """Weighted mean ``sum(w v) / sum(w)`` in each resample, shape (B,); NaN where w sums to 0."""
    w = np.asarray(weights, float)
    times = np.asarray(multiplicity, float)
    total = times @ w
    return np.divide(
        times @ (w * np.asarray(values, float)),
        total,
        out=np.full(len(times), np.nan),
        where=total > 0,
    )


def percentile_range(resampled: ArrayLike, level: float = 0.9) -> tuple[float, float]:
    """Central ``level`` range of resampled values; NaN twice if none is known.

    Resamples in which the score could not be formed (NaN) are left out. Raises ``BacktestError`` if
    the level is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise BacktestError(f"level {level} must lie between 0 and 1")
    values = np.asarray(resampled, float)
    known = values[np.isfinite(values)]
    if not known.size:
        return float("nan"), float("nan")
    low, high = np.quantile(known, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
