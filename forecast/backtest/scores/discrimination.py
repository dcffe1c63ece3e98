"""Whether those forecast to clear sooner did: concordance and time-dependent AUC.

Each function takes ``multiplicity`` (B, n), how often each row counts in each of B resamples,
and then answers for all B at once by matrix products over the pairs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from forecast.backtest.scores.weights import CensoringCurve, censoring_curve, checked_outcomes
from forecast.errors import BacktestError
from forecast.types import Array, Flags


def uno_c(
    risk: ArrayLike,
    time: ArrayLike,
    cleared: ArrayLike,
    *,
    tau: float | None = None,
    censoring: CensoringCurve | None = None,
    multiplicity: ArrayLike | None = None,
) -> Array:
    """Concordance of Uno: share of comparable pairs that ``risk`` orders rightly, weighted.

    A pair is comparable if one cleared before the other's time (or at it, and the other was lost
    then); it weighs 1/G(T-)^2 of the earlier clearing. Equal risks count one half.
    It does not depend on how the follow-up happened to end. Only clearings before ``tau`` weeks
    open a pair.

    Parameters
    ----------
    risk
        Larger means sooner, shape (n,).
    time, cleared
        Weeks and whether they end in a clearing, shape (n,).
    tau
        Weeks; no limit if left out.
    censoring
        G; estimated from these rows if left out.
    multiplicity
        Optional counts (B, n), one resample a row; NaN for one without a comparable pair. The
        answer then has shape (B,), else ().

    Raises
    ------
    BacktestError
        If inputs are malformed or no pair is comparable.

    References
    ----------
    H. Uno, T. Cai, M. Pencina, R. D'Agostino, L. Wei (2011), Statistics in Medicine 30:1105-1117.
    """
    score, comparable = _pairs(risk, time, cleared)
    weeks, done = checked_outcomes(time, cleared)
    censored = censoring_curve(weeks, done) if censoring is None else censoring
    opens = done if tau is None else done & (weeks < tau)
    weight = np.divide(1.0, censored.before(weeks) ** 2, out=np.zeros_like(weeks), where=opens)
    return _ratio(score, np.where(comparable, weight[:, None], 0.0), multiplicity)


def auc_at(
    risk: ArrayLike,
    time: ArrayLike,
    cleared: ArrayLike,
    week: float,
    *,
    censoring: CensoringCurve | None = None,
    multiplicity: ArrayLike | None = None,
) -> Array:
    """Cumulative/dynamic AUC at a week: cleared by it against not cleared by it.

    Those who cleared weigh 1/G(T-); those still followed after ``week`` weigh alike; those lost
    before it are left out, their weight carried by the others.

    Parameters
    ----------
    risk, time, cleared, multiplicity, censoring
        As in :func:`uno_c`.
    week
        The week asked about.

    Returns
    -------
    ndarray
        The AUC, shape () or (B,).

    Raises
    ------
    BacktestError
        If inputs are malformed, or nobody cleared by ``week``, or everybody known did.

    References
    ----------
    H. Uno, T. Cai, L. Tian, L. Wei (2007), JASA 102:527-537; H. Hung, C. Chiang (2010),
    Canadian J. Stat. 38:8-26.
    """
    weeks, done = checked_outcomes(time, cleared)
    censored = censoring_curve(weeks, done) if censoring is None else censoring
    case = done & (weeks <= week)
    weight = np.divide(1.0, censored.before(weeks), out=np.zeros_like(weeks), where=case)
    pairs = weight[:, None] * (weeks > week)
    return _ratio(_order(np.asarray(risk, float)), pairs, multiplicity)


def _order(risk: Array) -> Array:
    """1 where the row's risk is larger than the column's, one half where they are equal."""
    gap = risk[:, None] - risk[None, :]
    return np.where(np.abs(gap) <= 1e-8, 0.5, (gap > 0).astype(float))


def _pairs(risk: ArrayLike, time: ArrayLike, cleared: ArrayLike) -> tuple[Array, Flags]:
    weeks, done = checked_outcomes(time, cleared)
    value = np.asarray(risk, float)
    if value.shape != weeks.shape or not np.all(np.isfinite(value)):
        raise BacktestError("risk must hold one finite number for each outcome")
    later = (weeks[None, :] > weeks[:, None]) | (
        (weeks[None, :] == weeks[:, None]) & ~done[None, :]
    )
    return _order(value), done[:, None] & later


def _ratio(score: Array, weight: Array, multiplicity: ArrayLike | None) -> Array:
    if not weight.any():
        raise BacktestError("no pair can be compared: nobody cleared while another was followed")
    if multiplicity is None:
        return np.asarray(np.sum(score * weight) / np.sum(weight))
    times = np.asarray(multiplicity, float)
    total = ((times @ weight) * times).sum(axis=1)
    right = ((times @ (score * weight)) * times).sum(axis=1)
    return np.divide(right, total, out=np.full(len(times), np.nan), where=total > 0)
