"""How unlike athletes are in pace, beyond rungs: Cox regression with a shared gamma frailty."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.special import gammaln
from scipy.stats import chi2

from forecast.cohort.covariates import MIN_ATHLETES, MIN_CLEARED
from forecast.cohort.records import Records, as_histories, spell_times
from forecast.errors import FitError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SMALLEST, LARGEST = 1e-4, 20.0
"""Range of variances looked through; below the smallest, frailties are all the same."""
ROUNDS = 2000
SETTLED = 1e-9


@dataclass(frozen=True, slots=True)
class SharedFrailty:
    """Result of ``shared_frailty``.

    Attributes
    ----------
    variance
        Variance of the frailties (mean 1); 0 where the likelihood is highest at none.
    p_value
        Of no frailty, by the likelihood ratio; half a chi-square, as 0 is on the boundary (Self
        & Liang 1987, JASA 82:605).
    coefficients
        Shape (k,): log hazard ratios of the covariates, given the frailties.
    frailty
        By cluster: posterior mean of its factor on the hazard, shrunk to 1, and ``events``.
    log_likelihood
        Marginal log likelihood with frailty, and without.
    """

    variance: float
    p_value: float
    coefficients: Array
    frailty: pd.DataFrame = field(repr=False)
    log_likelihood: tuple[float, float]

    def frame(self) -> pd.DataFrame:
        """Return the frailties, quickest first."""
        return self.frailty.sort_values("factor", ascending=False, kind="stable")

    @property
    def text(self) -> str:
        """What the variance means, in sentences."""
        if self.variance == 0:
            return "No sign that athletes differ in pace beyond what chance brings about."
        low, high = np.exp(-np.sqrt(self.variance)), np.exp(np.sqrt(self.variance))
        return (
            f"Athletes differ in pace beyond rungs: variance {self.variance:.2f} of the factor on "
            f"the chance of clearing (p = {self.p_value:.3f}), roughly {low:.1f} to {high:.1f} "
            "times the usual for two thirds of them. Factors are shrunk to 1 where little is known."
        )


@dataclass(frozen=True, slots=True)
class _Spells:
    """Sorted risk-set structure of n spells: everything the EM needs at every round."""

    x: Array
    cluster: Ints
    event_rows: Ints
    event_group: Ints
    at_risk: Array
    n_clusters: int


def athlete_frailty(records: Records, as_of: pd.Timestamp | str | None = None) -> SharedFrailty:
    """Estimate how unlike athletes are in how soon they clear rungs, rungs taken apart.

    Parameters
    ----------
    records, as_of
        A log and its cut date, or histories.

    Raises
    ------
    HistoryError
        The log holds no usable set before ``as_of``.
    FitError
        Fewer than 15 spells were cleared or fewer than 10 athletes seen, or the fit did not
        settle.
    """
    times = spell_times(as_histories(records, as_of))
    table = times.table
    cleared, athletes = int(table["cleared"].sum()), table["athlete_id"].nunique()
    if cleared < MIN_CLEARED or athletes < MIN_ATHLETES:
        raise FitError(
            f"Not enough data on differences between athletes: {cleared} cleared spells of "
            f"{athletes} athletes; at least {MIN_CLEARED} and {MIN_ATHLETES} are needed."
        )
    return shared_frailty(
        table["exit"].to_numpy(dtype=float),
        table["cleared"].to_numpy(dtype=bool),
        np.empty((len(table), 0)),
        table["athlete"].to_numpy(),
        entry=table["entry"].to_numpy(dtype=float),
        stratum=table["rung_index"].to_numpy(),
    )


def shared_frailty(
    exit: Array,
    event: NDArray[np.bool_],
    x: Array,
    cluster: NDArray,
    *,
    entry: Array | None = None,
    stratum: NDArray | None = None,
) -> SharedFrailty:
    """Fit a Cox regression in which all spells of a cluster share a gamma factor on the hazard.

    Parameters
    ----------
    exit, event
        Shape (n,): when each spell ended or was last seen, and whether it ended.
    x
        Shape (n, k) covariates; k may be 0.
    cluster
        Shape (n,): whose spell it is.
    entry
        Shape (n,): at risk from just after this time; all from the start where left out.
    stratum
        Shape (n,): spells with the same label share a baseline.

    Raises
    ------
    FitError
        No spell ended, or the fit did not settle.

    Notes
    -----
    EM for each variance (Nielsen, Gill, Andersen & Sorensen 1992, Scand. J. Statist. 19:25;
    Klein 1992, Biometrics 48:795), Breslow's handling of ties, then the variance that maximises
    the profile of the marginal likelihood. A maximum at 0 is an answer: no frailty.
    """
    spells, labels = _prepare(exit, event, np.asarray(x, dtype=float), cluster, entry, stratum)
    ended = spells.cluster[spells.event_rows]
    events = np.bincount(ended, minlength=spells.n_clusters).astype(float)
    none = _settle(spells, events, 0.0)

    def cost(log_variance: float) -> float:
        return -_settle(spells, events, float(np.exp(log_variance)))[0]

    found = minimize_scalar(
        cost, bounds=(np.log(SMALLEST), np.log(LARGEST)), method="bounded", options={"xatol": 1e-4}
    )
    best = _settle(spells, events, float(np.exp(found.x)))
    # A gain that rounding could have made, at the smallest variance, is no gain.
    boundary = best[0] - none[0] < 1e-5
    log_likelihood, beta, factor = none if boundary else best
    gain = 0.0 if boundary else 2.0 * (log_likelihood - none[0])
    return SharedFrailty(
        variance=0.0 if boundary else float(np.exp(found.x)),
        p_value=1.0 if boundary else float(0.5 * chi2.sf(gain, 1)),
        coefficients=beta,
        frailty=pd.DataFrame({"factor": factor, "events": events.astype(int)}, index=labels),
        log_likelihood=(float(log_likelihood), float(none[0])),
    )


def _prepare(
    exit: Array,
    event: NDArray[np.bool_],
    x: Array,
    cluster: NDArray,
    entry: Array | None,
    stratum: NDArray | None,
) -> tuple[_Spells, pd.Index]:
    """Risk sets of every distinct event time in its stratum, as a (times, spells) table."""
    event = np.asarray(event, dtype=bool)
    if not event.any():
        raise FitError("No spell ended, so nothing can be said about frailties yet.")
    begin = np.full(len(exit), -np.inf) if entry is None else np.asarray(entry, dtype=float)
    group = np.zeros(len(exit), dtype=np.int64)
    if stratum is not None:
        group = pd.factorize(np.asarray(stratum), sort=True)[0].astype(np.int64)
    codes, labels = pd.factorize(pd.Series(np.asarray(cluster)), sort=True)
    rows = np.flatnonzero(event)
    moments = np.column_stack([group[rows], np.asarray(exit, dtype=float)[rows]])
    distinct, event_group = np.unique(moments, axis=0, return_inverse=True)
    when = distinct[:, 1:]
    at_risk = (begin < when) & (exit >= when) & (group == distinct[:, :1])
    spells = _Spells(
        x, codes.astype(np.int64), rows, event_group.ravel(), at_risk.astype(float), len(labels)
    )
    return spells, pd.Index(labels, name="cluster")


def _settle(spells: _Spells, events: Array, variance: float) -> tuple[float, Array, Array]:
    """EM at one variance: marginal log likelihood, coefficients, frailties."""
    beta = np.zeros(spells.x.shape[1])
    factor: Array = np.ones(spells.n_clusters)
    before = -np.inf
    for _ in range(ROUNDS):
        beta, lived, jumps = _cox_step(spells, beta, factor)
        exposure = np.bincount(spells.cluster, lived, spells.n_clusters).astype(float)
        now = _marginal(spells, beta, jumps, exposure, events, variance)
        if variance > 0:
            factor = (1.0 / variance + events) / (1.0 / variance + exposure)
        if abs(now - before) < SETTLED * (1.0 + abs(now)):
            return now, beta, factor
        before = now
    raise FitError(f"The frailty fit did not settle at variance {variance:.3g}.")


def _cox_step(spells: _Spells, beta: Array, factor: Array) -> tuple[Array, Array, Array]:
    """One Newton step on the covariates with frailties held; then the baseline's jumps.

    Returns the coefficients, each spell's cumulative hazard without its frailty, and the jumps
    at the distinct event times.
    """
    count = np.bincount(spells.event_group).astype(float)
    if len(beta):
        weight = factor[spells.cluster] * np.exp(spells.x @ beta)
        total = spells.at_risk @ weight
        mean = (spells.at_risk * weight) @ spells.x / total[:, None]
        second = np.einsum("ts,si,sj->tij", spells.at_risk * weight, spells.x, spells.x)
        spread = second / total[:, None, None] - mean[:, :, None] * mean[:, None, :]
        score = spells.x[spells.event_rows].sum(axis=0) - count @ mean
        beta = beta + np.linalg.solve(np.einsum("t,tij->ij", count, spread), score)
    hazard = np.exp(spells.x @ beta)
    jumps = count / (spells.at_risk @ (factor[spells.cluster] * hazard))
    return beta, hazard * (jumps @ spells.at_risk), jumps


def _marginal(
    spells: _Spells, beta: Array, jumps: Array, exposure: Array, events: Array, variance: float
) -> float:
    """Log likelihood with the frailties integrated out."""
    rows = spells.event_rows
    seen = (spells.x[rows] @ beta).sum() + np.log(jumps[spells.event_group]).sum()
    if variance == 0:
        return float(seen - exposure.sum())
    shape = 1.0 / variance
    # As gamma variances shrink this tends to minus the exposure; the ratio form stays accurate.
    left = gammaln(shape + events) - gammaln(shape) - events * np.log(shape)
    gone = (shape + events) * np.log1p(variance * exposure)
    return float(seen + left.sum() - gone.sum())
