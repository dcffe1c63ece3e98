"""Curves of how long spells last: Kaplan-Meier, and cumulative incidence of what ends them.

Spells are seen from just after ``entry`` up to and including ``exit``; late entry is allowed
(Klein & Moeschberger 2003, section 4.6). Counts and the product-limit curve are statsmodels'
``SurvfuncRight``; times carry the unit of the spells (weeks, here).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import norm
from statsmodels.duration.survfunc import SurvfuncRight

from forecast.errors import FitError, FitWarning, ForecastError
from forecast.types import Array, Ints


class OutsideCurveError(ForecastError):
    """A curve was asked about a time it says nothing about; ask within its start and end."""


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """A right-continuous step curve: share of spells still open just after each time of an event.

    All are (m,); Greenwood's ``std_error`` is missing once nobody is left. The share is conditional
    on being open at ``start`` and known up to ``end``: beyond, ``OutsideCurveError``.
    """

    time: Array
    survival: Array
    std_error: Array
    n_at_risk: Array
    n_events: Array
    start: float
    end: float

    def at(self, times: ArrayLike) -> Array:
        """Share still open just after each of ``times``."""
        return self._shares(times, "right")

    def just_before(self, times: ArrayLike) -> Array:
        """Share still open just before each of ``times``: the left limit."""
        return self._shares(times, "left")

    def _shares(self, times: ArrayLike, side: Literal["left", "right"]) -> Array:
        asked = _within(times, self.start, self.end)
        return np.concatenate([[1.0], self.survival])[np.searchsorted(self.time, asked, side=side)]

    def quantile(self, share: float) -> float:
        """Time by which ``share`` of the spells (0 to 1, exclusive, else ``FitError``) had ended.

        The first time at which the survival is at or below ``1 - share``; ``inf`` when that was
        not reached while anybody was watched, which means "later than ``end``", not "never".
        """
        _check_fraction("share", share)
        return self._first_at_or_below(self.survival, 1 - share)

    def quantile_band(self, share: float, level: float = 0.95) -> tuple[float, float]:
        """Limits of ``quantile(share)``: the ``band`` inverted; either can be ``inf``.

        Source: Brookmeyer & Crowley (1982), Biometrics 38:29.
        """
        _check_fraction("share", share)
        low, high = self.band(level)[["low", "high"]].to_numpy().T
        return self._first_at_or_below(low, 1 - share), self._first_at_or_below(high, 1 - share)

    def _first_at_or_below(self, values: Array, mark: float) -> float:
        # The tolerance keeps a product of fractions that equals the mark on its side of it.
        below = np.flatnonzero(values <= mark + 1e-12)
        return float(self.time[below[0]]) if below.size else math.inf

    def band(self, level: float = 0.95) -> pd.DataFrame:
        """Pointwise confidence limits: ``time, survival, low, high``; missing once nobody is left.

        On the scale of log(-log S). Source: Kalbfleisch & Prentice (1980), section 1.4; Borgan &
        Liestol (1990), Scand. J. Statist. 17:35.
        """
        _check_fraction("level", level)
        inside = (self.survival > 0) & (self.survival < 1)
        share = np.where(inside, self.survival, 0.5)
        width = norm.ppf((1 + level) / 2) * np.where(inside, self.std_error, np.nan) / share
        width = width / np.abs(np.log(share))
        low, high = share ** np.exp(width), share ** np.exp(-width)
        return pd.DataFrame(
            {"time": self.time, "survival": self.survival, "low": low, "high": high}
        )


def kaplan_meier(
    entry: ArrayLike | None, exit: ArrayLike, event: ArrayLike, *, since: float | None = None
) -> SurvivalCurve:
    """Estimate the share of spells still open by time.

    S(t) is the product over event times s <= t of (1 - d/n), with d spells ended at s among the n
    under observation just before it (entry < s <= exit). Assumes that a spell still open when last
    seen was no likelier to end than the others: where spells lapse use ``cumulative_incidence``.

    ``entry`` ``None``: all from 0. With ``since`` the curve is conditional on being open then: with
    late entry, the way round a start where too few were watched, of which a ``FitWarning`` tells.
    Source: Kaplan & Meier (1958), JASA 53:457; Greenwood's variance.

    Examples
    --------
    >>> curve = kaplan_meier(None, [2, 3, 3, 5], [True, True, False, True])
    >>> curve.at([0, 2, 4]).round(6).tolist()
    [1.0, 0.75, 0.5]
    """
    try:
        ended = np.asarray(event).astype(float)
    except (TypeError, ValueError) as problem:
        raise FitError("Events must be true or false (or 1 or 0) for each spell.") from problem
    strange = np.flatnonzero(~np.isin(ended, (0.0, 1.0)))
    if strange.size:
        raise FitError(
            f"Events must be true or false (or 1 or 0); position {strange[0]} holds "
            f"{ended[strange[0]]:g}."
        )
    spells = _observed(entry, exit, ended.astype(np.int64), since)
    fit = _product_limit(spells)
    return SurvivalCurve(
        **_common(fit, spells), std_error=_read_only(fit.surv_prob_se),
        n_events=_read_only(fit.n_events),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class IncidenceCurves:
    """Right-continuous step curves: the share ended by each kind of event up to each time.

    ``incidence``, ``std_error`` and ``n_events`` (m, k) have a column for each of the sorted
    ``kinds``; the others are as in ``SurvivalCurve``. Shares and ``survival`` add up to 1.
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
        asked = np.atleast_1d(_within(times, self.start, self.end))
        steps = np.vstack([np.zeros(len(self.kinds)), self.incidence])
        rows = steps[np.searchsorted(self.time, asked, side="right")]
        return pd.DataFrame(rows, index=pd.Index(asked, name="time"), columns=list(self.kinds))

    def frame(self) -> pd.DataFrame:
        """Return the curves as a long table: one row a time and kind."""
        m, k = self.incidence.shape
        return pd.DataFrame({
            "time": np.repeat(self.time, k), "kind": list(self.kinds) * m,
            "n_at_risk": np.repeat(self.n_at_risk, k).astype(int),
            "n_events": self.n_events.ravel().astype(int), "incidence": self.incidence.ravel(),
            "std_error": self.std_error.ravel(), "survival": np.repeat(self.survival, k),
        })  # fmt: skip


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
    n watched just before s and S the Kaplan-Meier curve of all kinds pooled. One minus a
    Kaplan-Meier curve that treats the other kinds as censored is larger: the share in a world where
    nobody lapses, and only if lapsing has nothing to do with progress.

    ``event_kind`` (n,) are labels of what ended each spell, ``still_open`` where nothing did.
    Source: Aalen & Johansen (1978), Scand. J. Statist. 5:141; standard error: delta method on the
    multinomial counts (Gaynor et al. 1993, JASA 88:400), for a single kind Greenwood's.

    Examples
    --------
    >>> curves = cumulative_incidence(None, [1, 2, 3, 4], ["cleared", "lapsed", "cleared", "open"])
    >>> curves.at([3])[["cleared", "lapsed"]].round(6).to_numpy().tolist()
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
    spells = _observed(entry, exit, codes, since)
    fit = _product_limit(spells)
    ended = spells.kind > 0
    n_events = np.zeros((fit.surv_times.size, len(kinds)))
    row = np.searchsorted(fit.surv_times, spells.exit[ended])
    np.add.at(n_events, (row, spells.kind[ended] - 1), 1.0)
    before = np.concatenate([[1.0], fit.surv_prob[:-1]])
    at_risk = np.asarray(fit.n_risk, dtype=float)
    incidence = np.cumsum(before[:, None] * n_events / at_risk[:, None], axis=0)
    variance = _incidence_variance(at_risk[:, None], n_events, incidence, before[:, None])
    return IncidenceCurves(
        **_common(fit, spells), kinds=kinds, incidence=_read_only(incidence),
        std_error=_read_only(np.sqrt(variance)), n_events=_read_only(n_events),
    )  # fmt: skip


def _common(fit: SurvfuncRight, spells: _Observed) -> dict[str, Any]:
    return {
        "time": _read_only(fit.surv_times), "survival": _read_only(fit.surv_prob),
        "n_at_risk": _read_only(fit.n_risk), "start": spells.start,
        "end": float(spells.exit.max()),
    }  # fmt: skip


def _incidence_variance(n: Array, n_events: Array, incidence: Array, before: Array) -> Array:
    """Delta-method variance of each incidence at each time, (m, k).

    The sum over s <= t of (F(t) - F(s))^2 d / (n (n - d)) - 2 (F(t) - F(s)) S(s-) d_k / n^2
    + S(s-)^2 d_k (n - d_k) / n^3.
    """
    ended = n_events.sum(axis=1, keepdims=True)
    # Where all at risk ended, no curve rises any more, so F(t) - F(s) = 0 and the term is nothing.
    pooled = np.divide(ended, n * (n - ended), out=np.zeros_like(n), where=n > ended)
    cross = before * n_events / n**2
    own = before**2 * n_events * (n - n_events) / n**3
    squares = (
        incidence**2 * np.cumsum(pooled, axis=0)
        - 2 * incidence * np.cumsum(pooled * incidence, axis=0)
        + np.cumsum(pooled * incidence**2, axis=0)
    )
    crosses = incidence * np.cumsum(cross, axis=0) - np.cumsum(cross * incidence, axis=0)
    # Rounding in the multiplied-out square can leave a hair below zero.
    return np.maximum(squares - 2 * crosses + np.cumsum(own, axis=0), 0.0)


class _Observed(NamedTuple):
    """Checked times of n spells, cut to what is seen after ``start``; ``kind`` is 0 where open."""

    entry: Array
    exit: Array
    kind: Ints
    start: float


def _observed(
    entry: ArrayLike | None, exit: ArrayLike, kind: Ints, since: float | None
) -> _Observed:
    """Check times, naming the first that cannot be that of a spell; entry may be left out."""
    leave = np.array(exit, dtype=float)
    join = np.full(leave.shape, -np.inf) if entry is None else np.array(entry, dtype=float)
    if leave.ndim != 1 or join.shape != leave.shape or kind.shape != leave.shape:
        raise FitError(
            f"Entry, exit and event need one value a spell, got shapes {join.shape}, "
            f"{leave.shape} and {kind.shape}."
        )
    if leave.size == 0:
        raise FitError("There are no spells to make a curve from; check the selection of rows.")
    unusable = ~np.isfinite(leave) | (leave < 0) | ((entry is not None) & ~np.isfinite(join))
    faults = (
        "have a missing, infinite or negative time",
        "end no later than they come under observation",
    )
    for fault, wrong in enumerate((unusable, join >= leave)):
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            raise FitError(
                f"{wrong.sum()} spells {faults[fault]}; the first is at position {at} with entry "
                f"{join[at]:g} and exit {leave[at]:g}. Correct or drop them."
            )
    if since is None:
        return _Observed(join, leave, kind, max(float(join.min()), 0.0))
    kept = leave > since
    if not kept.any():
        raise FitError(
            f"Nothing is seen after {since:g}: the last exit is at {leave.max():g}. "
            "Condition on an earlier time."
        )
    return _Observed(np.maximum(join[kept], since), leave[kept], kind[kept], float(since))


def _product_limit(spells: _Observed) -> SurvfuncRight:
    """Kaplan-Meier of any end; warns where an early risk set died out with others still to come."""
    fit = SurvfuncRight(spells.exit, (spells.kind > 0).astype(int), entry=spells.entry)
    lost = fit.surv_times[(fit.n_risk == fit.n_events) & (fit.surv_times <= spells.entry.max())]
    order = np.argsort(spells.entry, kind="stable")
    watched_until = np.maximum.accumulate(spells.exit[order])[:-1]
    next_entry = spells.entry[order][1:]
    gaps = np.flatnonzero(next_entry > watched_until)
    warning = ""
    if lost.size:
        later = int(np.sum(spells.entry >= lost[0]))
        warning = (
            f"The curve falls to 0 at {lost[0]:g}, where every spell then watched had ended, "
            f"although {later} others came under observation later. It says nothing about them: "
            f"make it conditional on a later start, such as since={lost[-1]:g} or more."
        )
    elif gaps.size:
        since, until = watched_until[gaps[0]], next_entry[gaps[0]]
        warning = (
            f"Nobody was watched between {since:g} and {until:g}; the curve is level there for "
            f"want of data. Make it conditional on a later start, such as since={until:g}."
        )
    if warning:  # pointing at the caller of ``kaplan_meier`` or ``cumulative_incidence``
        warnings.warn(warning, FitWarning, stacklevel=3)
    return fit


def _within(times: ArrayLike, start: float, end: float) -> Array:
    asked = np.asarray(times, dtype=float)
    outside = ~((asked >= start) & (asked <= end))
    if outside.any():
        raise OutsideCurveError(
            f"The curve is known from {start:g} to {end:g} and was asked about "
            f"{asked[outside].flat[0]:g}. Ask within that range, or say what to assume beyond it."
        )
    return asked


def _check_fraction(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise FitError(f"The {name} must lie strictly between 0 and 1, not {value!r}.")


def _read_only(values: ArrayLike) -> Array:
    """Return a float copy that cannot be written to, for the fields of frozen results."""
    fresh = np.array(values, dtype=float)
    fresh.setflags(write=False)
    return fresh
