"""Cumulative incidence: the share of spells ended by each cause, lapse being one of them."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from forecast.errors import FitError
from forecast.survival.risk_sets import (
    RiskTable,
    check_within,
    observed_spells,
    read_only,
    risk_table,
    warn_of_lost_start,
)
from forecast.types import Array


@dataclass(frozen=True, slots=True)
class IncidenceCurves:
    """Right-continuous step curves: the share ended by each kind of event up to each time.

    At any time the shares of all kinds and the share still open add up to 1.

    Attributes
    ----------
    kinds
        The k kinds of event, sorted; the columns of ``incidence`` and ``std_error``.
    time
        Shape (m,), the distinct times of events of any kind, ascending.
    incidence
        Shape (m, k), share ended by each kind up to and including the time; never falls.
    std_error
        Shape (m, k), its standard error by the delta method.
    survival
        Shape (m,), share still open just after the time.
    n_at_risk, n_events
        Shape (m,) and (m, k): spells watched just before the time, and ended at it.
    start, end
        The domain: the conditioning time, and the last time at which any spell was seen.
    """

    kinds: tuple[Hashable, ...]
    time: Array
    incidence: Array
    std_error: Array
    survival: Array
    n_at_risk: Array
    n_events: Array
    start: float
    end: float

    def at(self, times: ArrayLike) -> pd.DataFrame:
        """Shares ended by each kind up to each of ``times`` (rows), or ``OutsideCurveError``."""
        return self._look_up(self.incidence, times)

    def _look_up(self, values: Array, times: ArrayLike) -> pd.DataFrame:
        asked = np.atleast_1d(np.asarray(times, dtype=float))
        check_within(asked, self.start, self.end)
        steps = np.vstack([np.zeros(len(self.kinds)), values])
        rows = steps[np.searchsorted(self.time, asked, side="right")]
        return pd.DataFrame(rows, index=pd.Index(asked, name="time"), columns=list(self.kinds))

    def frame(self) -> pd.DataFrame:
        """Return the curves as a long table: one row a time and kind."""
        m, k = self.incidence.shape
        return pd.DataFrame(
            {
                "time": np.repeat(self.time, k),
                "kind": list(self.kinds) * m,
                "n_at_risk": np.repeat(self.n_at_risk, k).astype(int),
                "n_events": self.n_events.ravel().astype(int),
                "incidence": self.incidence.ravel(),
                "std_error": self.std_error.ravel(),
                "survival": np.repeat(self.survival, k),
            }
        )


def cumulative_incidence(
    entry: ArrayLike | None,
    exit: ArrayLike,
    event_kind: ArrayLike,
    *,
    still_open: Hashable = "open",
    since: float | None = None,
) -> IncidenceCurves:
    """Estimate the share of spells ended by each competing kind of event (Aalen-Johansen).

    F_k(t) is the sum over event times s <= t of S(s-) d_k / n, with d_k ends of kind k among the
    n watched just before s (entry < s <= exit) and S the Kaplan-Meier curve of all kinds pooled.
    One minus a Kaplan-Meier curve that treats the other kinds as censored is larger: it is the
    share in a world where nobody lapses, and only if lapsing has nothing to do with progress.

    Parameters
    ----------
    entry, exit, since
        As in ``kaplan_meier``.
    event_kind
        Shape (n,), labels of what ended the spell, such as ``"cleared"`` and ``"lapsed"``.
    still_open
        The label of a spell that was still open when last seen.

    Raises
    ------
    FitError
        As in ``kaplan_meier``, and if a label is missing or no spell ended.

    Warns
    -----
    FitWarning
        As in ``kaplan_meier``.

    Notes
    -----
    Source: Aalen & Johansen (1978), Scand. J. Statist. 5:141. Standard error: delta method on the
    multinomial counts (Gaynor et al. 1993, JASA 88:400), which for a single kind is Greenwood's.

    Examples
    --------
    >>> curves = cumulative_incidence(None, [1, 2, 3, 4], ["cleared", "lapsed", "cleared", "open"])
    >>> curves.at([3])[["cleared", "lapsed"]].to_numpy().tolist()
    [[0.5, 0.25]]
    """
    labels = pd.Series(np.asarray(event_kind))
    if labels.isna().any():
        at = int(np.flatnonzero(labels.isna())[0])
        raise FitError(
            f"The kind of event is missing at position {at}; write {still_open!r} for a spell "
            "that was still open when last seen."
        )
    kinds = tuple(sorted(set(labels.unique()) - {still_open}))
    if not kinds:
        raise FitError("No spell ended in any way, so there is no incidence to estimate yet.")
    codes = pd.Index(list(kinds)).get_indexer(labels).astype(np.int64) + 1
    spells = observed_spells(entry, exit, codes, since)
    table = risk_table(spells, len(kinds))
    warn_of_lost_start(spells, table)
    pooled = table.n_events.sum(axis=1)
    survival = np.cumprod(1 - pooled / table.n_at_risk)
    before = np.concatenate([[1.0], survival[:-1]])
    rise = before[:, None] * table.n_events / table.n_at_risk[:, None]
    incidence = np.cumsum(rise, axis=0)
    return IncidenceCurves(
        kinds=kinds,
        time=read_only(table.time),
        incidence=read_only(incidence),
        std_error=read_only(np.sqrt(_variance(table, incidence, before))),
        survival=read_only(survival),
        n_at_risk=read_only(table.n_at_risk),
        n_events=read_only(table.n_events),
        start=spells.start,
        end=float(spells.exit.max()),
    )


def _variance(table: RiskTable, incidence: Array, before: Array) -> Array:
    """Delta-method variance of each incidence at each time, shape (m, k).

    The sum over s <= t of (F(t) - F(s))^2 d / (n (n - d)) - 2 (F(t) - F(s)) S(s-) d_k / n^2
    + S(s-)^2 d_k (n - d_k) / n^3, with the square multiplied out so that every sum runs once.
    """
    n = table.n_at_risk[:, None]
    ended = table.n_events.sum(axis=1, keepdims=True)
    # Where all at risk ended, no curve rises any more, so F(t) - F(s) = 0 and the term is nothing.
    pooled = np.divide(ended, n * (n - ended), out=np.zeros_like(n), where=n > ended)
    cross = before[:, None] * table.n_events / n**2
    own = before[:, None] ** 2 * table.n_events * (n - table.n_events) / n**3
    squares = (
        incidence**2 * np.cumsum(pooled, axis=0)
        - 2 * incidence * np.cumsum(pooled * incidence, axis=0)
        + np.cumsum(pooled * incidence**2, axis=0)
    )
    crosses = incidence * np.cumsum(cross, axis=0) - np.cumsum(cross * incidence, axis=0)
    # Rounding in the multiplied-out square can leave a hair below zero.
    return np.maximum(squares - 2 * crosses + np.cumsum(own, axis=0), 0.0)
