"""Whether the chances mean what they say: coverage of ranges, PIT, D-calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from forecast.backtest.scores.curve import checked_curve, curve_at, weeks_at
from forecast.backtest.scores.weights import CensoringCurve, checked_outcomes, nobody_lost
from forecast.errors import BacktestError
from forecast.types import Array


@dataclass(frozen=True, slots=True)
class Coverage:
    """Whether each outcome fell in its central range (1.0 or 0.0), and the weight it carries, (n,).

    Where that is not known the inverse-probability-of-censoring weight is 0.
    """

    covered: Array
    weight: Array

    @property
    def share(self) -> float:
        """Weighted share covered, 0 to 1."""
        return float(np.sum(self.covered * self.weight) / np.sum(self.weight))


def coverage(
    p_cleared: ArrayLike,
    time: ArrayLike,
    level: float,
    horizon: int | None = None,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
) -> Coverage:
    """Say whether each outcome fell in the central ``level`` range of its curve.

    The range runs from the (1-level)/2 to the (1+level)/2 point. A clearing by the horizon is
    covered if it lies in it; one who had not cleared by the horizon is covered if the upper end
    lies past the horizon. The answer is known as soon as the athlete clears, the upper end goes
    by, or the horizon is reached: at week m, the first of these. Those followed to m weigh
    1/G(m-), those lost before it 0, and the share is taken over the weights. So nobody is
    dropped for a short follow-up that settled the question.

    Parameters
    ----------
    p_cleared, time, horizon, cleared, censoring
        As in :func:`forecast.backtest.scores.crps_from_curve`.
    level
        Size of the range, between 0 and 1; 0.8 for the 80 % range.

    Returns
    -------
    Coverage
        Indicator and weight of each row.

    Raises
    ------
    BacktestError
        If curves or outcomes are malformed, or the level is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise BacktestError(f"level {level} must lie between 0 and 1")
    curve = checked_curve(p_cleared)
    weeks, done = checked_outcomes(time, cleared)
    end = float(curve.shape[1] if horizon is None else horizon)
    censored = nobody_lost() if censoring is None else censoring
    low, high = weeks_at(curve, (1 - level) / 2), weeks_at(curve, (1 + level) / 2)
    settled = np.minimum(high, end)
    seen = done & (weeks <= settled)
    outlasted = ~seen & (weeks >= settled)
    moment = np.where(seen, weeks, settled)
    weight = np.divide(
        1.0, censored.before(moment), out=np.zeros_like(weeks), where=seen | outlasted
    )
    inside = np.where(seen, weeks >= low, outlasted & (high > end))
    return Coverage(inside.astype(float), weight)


def pit(
    p_cleared: ArrayLike,
    time: ArrayLike,
    *,
    cleared: ArrayLike | None = None,
    seed: int | np.random.Generator = 0,
) -> Array:
    """Randomised probability integral transform: uniform on 0 to 1 if calibrated.

    A clearing in week w is drawn uniformly between F(w-1) and F(w), since a weekly curve says
    nothing within the week; one lost at week c, or not cleared by the horizon, between F(c)
    (or F(H)) and 1, which is right if being lost has nothing to do with being near.

    Parameters
    ----------
    p_cleared, time, cleared
        As in :func:`forecast.backtest.scores.crps_from_curve`.
    seed
        Seed or generator of the draws.

    Returns
    -------
    ndarray
        One value a row, shape (n,), between 0 and 1.

    Raises
    ------
    BacktestError
        If curves or outcomes are malformed.

    References
    ----------
    C. Czado, T. Gneiting, L. Held (2009), Biometrics 65:1254-1261.
    """
    curve = checked_curve(p_cleared)
    weeks, done = checked_outcomes(time, cleared)
    inside = done & (weeks <= curve.shape[1])
    week = np.maximum(np.ceil(np.minimum(weeks, curve.shape[1])), 1)
    low = np.where(inside, curve_at(curve, week - 1), curve_at(curve, weeks))
    high = np.where(inside, curve_at(curve, week), 1.0)
    return low + np.random.default_rng(seed).random(len(weeks)) * (high - low)


@dataclass(frozen=True, slots=True)
class DCalibration:
    """Masses of the survival probability at the outcome, and the test that they are even.

    ``mass`` (bins,) counts athletes in each bin of S(T), from 0 up, and sums to n; ``statistic`` is
    the chi-square distance from n / bins, ``p_value`` its own with bins - 1 degrees of freedom.
    """

    mass: Array
    statistic: float
    p_value: float


def d_calibration(survival: ArrayLike, cleared: ArrayLike, bins: int = 10) -> DCalibration:
    """Test D-calibration: the survival probability at the outcome is spread evenly.

    A clearing adds 1 to the bin of S(T). One lost with S(c) in bin [a, b) adds (S(c) - a)/S(c)
    to it and (b - a)/S(c) to every bin below: where S(T) may still fall. The p-value takes rows
    as independent; several cuts of one athlete make it too small.

    Parameters
    ----------
    survival
        Forecast chance of not having cleared at the observed time, 1 - F(T), shape (n,).
    cleared
        True for a clearing, False for one lost or not cleared by the horizon, shape (n,).
    bins
        Number of equal bins, 2 or more.

    Raises
    ------
    BacktestError
        If shapes differ, a probability lies outside 0 to 1, or ``bins`` is below 2.

    References
    ----------
    H. Haider, B. Hoehn, S. Davis, R. Greiner (2020), J. Mach. Learn. Res. 21(85):1-63, section 3.5.
    """
    s, done = np.array(survival, float), np.array(cleared, bool)
    if s.shape != done.shape or s.ndim != 1 or not s.size or bins < 2:
        raise BacktestError("d_calibration needs equally long lists and two bins or more")
    if not np.all((s >= 0) & (s <= 1)):
        raise BacktestError("survival probabilities must lie between 0 and 1")
    bin_of = np.minimum((s * bins + 1e-12).astype(int), bins - 1)
    mass = np.bincount(bin_of[done], minlength=bins).astype(float)
    lost, lost_bin = s[~done], bin_of[~done]
    if lost.size:
        safe = np.where(lost > 0, lost, 1.0)
        below = np.arange(bins) < lost_bin[:, None]
        own = np.arange(bins) == lost_bin[:, None]
        rest = np.where(lost > 0, (lost - lost_bin / bins) / safe, 1.0)
        mass += (below / (bins * safe[:, None]) + own * rest[:, None]).sum(axis=0)
    even = len(s) / bins
    statistic = float(np.sum((mass - even) ** 2) / even)
    return DCalibration(mass, statistic, float(chi2.sf(statistic, bins - 1)))
