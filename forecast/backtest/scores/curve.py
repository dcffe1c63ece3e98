"""Proper scores of a weekly clearing curve against what came of it.

A curve is a row of ``p_cleared`` at weeks 1 to H. Between whole weeks it is read as a straight
line, with F(0) = 0; past week H nothing is claimed. Every function returns one number an
athlete and rung, so that means and their intervals can be taken over athletes later.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from forecast.backtest.scores.weights import CensoringCurve, checked_outcomes, nobody_lost
from forecast.errors import BacktestError
from forecast.types import Array, Flags

LOG_SCORE_FLOOR = 1e-4
"""Least probability the log score gives a week: a forecaster that said 0 pays -log of this."""


def checked_curve(p_cleared: ArrayLike) -> Array:
    """Return a copy of the curves (n, H): from 0 to 1, never falling, or ``BacktestError``."""
    curve = np.array(p_cleared, dtype=float)
    if curve.ndim != 2 or not curve.size:
        raise BacktestError(f"curves must be a table (n, weeks); got shape {curve.shape}")
    if not np.all((curve >= 0) & (curve <= 1 + 1e-12)):
        raise BacktestError("p_cleared must lie between 0 and 1 and never be missing")
    if np.any(np.diff(curve, axis=1) < -1e-9):
        raise BacktestError("p_cleared falls from one week to the next; a clearing is for good")
    return np.minimum(curve, 1.0)


def curve_at(p_cleared: ArrayLike, weeks: ArrayLike) -> Array:
    """Read each curve (n, H) at weeks (n,) or (n, k); linear between weeks, flat past H."""
    curve = np.asarray(p_cleared, float)
    padded = np.concatenate([np.zeros((len(curve), 1)), curve], axis=1)
    at = np.clip(np.asarray(weeks, float), 0.0, curve.shape[1])
    low = np.minimum(at.astype(int), curve.shape[1] - 1)
    rows = np.arange(len(curve)).reshape(-1, *([1] * (at.ndim - 1)))
    left, right = padded[rows, low], padded[rows, low + 1]
    return left + (at - low) * (right - left)


def weeks_at(p_cleared: ArrayLike, share: float) -> Array:
    """Return the week (n,) at which each curve reaches ``share``; infinite past the horizon."""
    curve = np.asarray(p_cleared, float)
    padded = np.concatenate([np.zeros((len(curve), 1)), curve], axis=1)
    reached = padded >= share
    first = np.argmax(reached, axis=1)
    last = np.maximum(first, 1)
    rows = np.arange(len(curve))
    low, high = padded[rows, last - 1], padded[rows, last]
    step = np.divide(share - low, high - low, out=np.zeros_like(low), where=high > low)
    week = np.where(first == 0, 0.0, last - 1 + step)
    return np.where(reached.any(axis=1), week, np.inf)


def crps_from_curve(
    p_cleared: ArrayLike,
    time: ArrayLike,
    horizon: int | None = None,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
) -> Array:
    r"""Continuous ranked probability score in weeks, up to the horizon, lower is better.

    .. math:: \int_0^H \frac{1\{T > t\}}{G(t)} F(t)^2
              + \frac{1\{T \le t\}\,\delta}{G(T-)} (1 - F(t))^2 \; dt

    with T the observed weeks, delta 1 for a clearing and G the censoring curve: the Brier score
    of Graf et al. weighted for those lost, integrated over the weeks exactly (F is linear
    between whole weeks, G is a step function). With complete follow-up, G = 1 and the first
    term alone counts for a T past the horizon. Divided by H it is the integrated Brier score.

    Parameters
    ----------
    p_cleared
        Chance of having cleared by week 1 to H, shape (n, H), never falling.
    time
        Weeks to clearing, or to the last day followed, shape (n,). Infinite is allowed.
    horizon
        Weeks to score, at most H (the default).
    cleared
        True where ``time`` is a clearing, shape (n,); all of them if left out.
    censoring
        G from ``censoring_curve``; nobody lost before the horizon if left out.

    Returns
    -------
    ndarray
        Weighted score of each row in weeks, shape (n,); their plain mean is the score.

    Raises
    ------
    BacktestError
        If curves or outcomes are malformed, the horizon is not 1 to H, or follow-up ends for
        everybody before it.

    References
    ----------
    J. Matheson, R. Winkler (1976), Management Science 22:1087-1096 (CRPS);
    E. Graf et al. (1999), Statistics in Medicine 18:2529-2545, section 4 (weights).
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    losses = censored.times[(censored.times > 0) & (censored.times < end)]
    breaks = np.unique(np.concatenate([np.arange(end + 1.0), np.clip(weeks, 0, end), losses]))
    value = curve_at(curve, np.broadcast_to(breaks, (len(curve), breaks.size)))
    length = np.diff(breaks)
    still_open = breaks[1:] <= weeks[:, None]
    followed = np.broadcast_to(censored.at(breaks[:-1]), still_open.shape)
    before = length * _mean_square(value)
    after = length * _mean_square(1.0 - value)
    waited = np.divide(before, followed, out=np.zeros_like(before), where=still_open)
    weight = _event_weight(weeks, done, censored)
    return waited.sum(axis=1) + weight * np.where(still_open, 0.0, after).sum(axis=1)


def brier_at(
    p_cleared: ArrayLike,
    time: ArrayLike,
    week: float,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
) -> Array:
    """Weighted squared error of the chance to clear by ``week``, lower is better.

    ``(1 - F(w))**2 / G(T-)`` for a clearing by week w, ``F(w)**2 / G(w)`` for those still
    followed and not cleared after it, 0 for those lost before.

    Parameters
    ----------
    p_cleared
        Curves (n, H), or the chances at that week alone (n,).
    time, cleared, censoring
        As in :func:`crps_from_curve`.
    week
        The week asked about, 0 to H.

    Returns
    -------
    ndarray
        One weighted squared error a row, shape (n,); their plain mean is the score.

    Raises
    ------
    BacktestError
        If inputs are malformed or the week lies outside the curve.

    References
    ----------
    E. Graf et al. (1999), Statistics in Medicine 18:2529-2545, eq. 8 region.
    """
    chance = np.array(p_cleared, float)
    if chance.ndim == 2:
        if not 0 <= week <= chance.shape[1]:
            raise BacktestError(f"week {week} lies outside the curve of {chance.shape[1]} weeks")
        chance = curve_at(checked_curve(chance), np.full(len(chance), float(week)))
    weeks, done = checked_outcomes(time, cleared)
    censored = nobody_lost() if censoring is None else censoring
    early = done & (weeks <= week)
    late = weeks > week
    followed = censored.at(week)
    error = np.where(early, (1 - chance) ** 2 * _event_weight(weeks, done, censored), 0.0)
    return error + np.divide(chance**2, followed, out=np.zeros_like(chance), where=late)


def log_score(
    p_cleared: ArrayLike,
    time: ArrayLike,
    horizon: int | None = None,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
    floor: float = LOG_SCORE_FLOOR,
) -> Array:
    """Weighted negative log of the probability given to the week it happened, lower is better.

    Bins are the weeks (0, 1], ..., (H-1, H] and "not within the horizon". A clearing in a week
    weighs 1/G(T-), one followed past the horizon 1/G(H), one lost before counts 0. A bin given
    less than ``floor`` is scored as if given ``floor``; it caps what a point forecast can lose.

    Parameters
    ----------
    p_cleared, time, horizon, cleared, censoring
        As in :func:`crps_from_curve`.
    floor
        Least probability of a bin, above 0.

    Returns
    -------
    ndarray
        One weighted score a row in nats, shape (n,).

    Raises
    ------
    BacktestError
        As in :func:`crps_from_curve`.

    References
    ----------
    I. J. Good (1952), J. R. Statist. Soc. B 14:107-114 (log score).
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    padded = np.concatenate([np.zeros((len(curve), 1)), curve[:, :end]], axis=1)
    mass = np.concatenate([np.diff(padded, axis=1), 1 - padded[:, -1:]], axis=1)
    inside = done & (weeks <= end)
    bin_of = np.where(inside, np.maximum(np.ceil(np.minimum(weeks, end)), 1) - 1, end).astype(int)
    given = mass[np.arange(len(curve)), bin_of]
    weight = np.where(inside, _event_weight(weeks, done, censored), 0.0)
    beyond = ~inside & (weeks >= end)
    weight = weight + np.divide(1.0, censored.before(end), out=np.zeros_like(weight), where=beyond)
    return -np.log(np.maximum(given, floor)) * weight


def _mean_square(value: Array) -> Array:
    """Mean of the square of a line over each segment, exact, from values at the breaks."""
    start, end = value[:, :-1], value[:, 1:]
    return (start**2 + start * end + end**2) / 3.0


def _event_weight(weeks: Array, done: Flags, censored: CensoringCurve) -> Array:
    """1 / G(T-) for a clearing, 0 for a loss; G(T-) > 0 as the athlete was followed to T."""
    return np.divide(1.0, censored.before(weeks), out=np.zeros_like(weeks), where=done)


def _checked(
    p_cleared: ArrayLike,
    time: ArrayLike,
    horizon: int | None,
    cleared: ArrayLike | None,
    censoring: CensoringCurve | None,
) -> tuple[Array, Array, Flags, CensoringCurve, int]:
    curve = checked_curve(p_cleared)
    weeks, done = checked_outcomes(time, cleared)
    if len(weeks) != len(curve):
        raise BacktestError(f"{len(curve)} curves but {len(weeks)} outcomes; give one each")
    end = curve.shape[1] if horizon is None else int(horizon)
    if not 1 <= end <= curve.shape[1]:
        raise BacktestError(f"horizon {end} must lie between 1 and {curve.shape[1]} weeks")
    censored = nobody_lost() if censoring is None else censoring
    if censored.before(end) <= 0:
        raise BacktestError(
            f"nobody was followed to week {end} (the last was lost in week "
            f"{censored.times[-1]:.1f}); lower the horizon"
        )
    return curve, weeks, done, censored, end
