"""Kaplan-Meier curves: the share of spells still open by time, with late entry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import norm

from forecast.errors import FitError
from forecast.survival.risk_sets import (
    check_within,
    observed_spells,
    read_only,
    risk_table,
    warn_of_lost_start,
)
from forecast.types import Array

BandKind = Literal["log-log", "log"]


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """A right-continuous step curve: share of spells still open just after each time.

    The share is conditional on being open at ``start`` and is known up to ``end``; asked outside,
    the curve refuses. Times carry the unit of the spells it was made from (weeks, here).

    Attributes
    ----------
    time
        Shape (m,), the distinct times of events, ascending.
    survival
        Shape (m,), the share still open, within [0, 1], never rising.
    std_error
        Shape (m,), Greenwood's standard error of ``survival``; missing once nobody is left.
    cumulative_hazard, cumulative_hazard_std_error
        Shape (m,), the Nelson-Aalen estimate and its standard error.
    n_at_risk, n_events
        Shape (m,), spells under observation just before each time, and ended at it.
    start, end
        The domain: the conditioning time, and the last time at which any spell was seen.
    n_spells
        Number of spells the curve is made from.
    """

    time: Array
    survival: Array
    std_error: Array
    cumulative_hazard: Array
    cumulative_hazard_std_error: Array
    n_at_risk: Array
    n_events: Array
    start: float
    end: float
    n_spells: int

    def at(self, times: ArrayLike) -> Array:
        """Share still open just after each of ``times``, or ``OutsideCurveError``."""
        return self._look_up(times, "right")

    def just_before(self, times: ArrayLike) -> Array:
        """Share still open just before each of ``times``: the left limit; errors as in ``at``."""
        return self._look_up(times, "left")

    def _look_up(self, times: ArrayLike, side: Literal["left", "right"]) -> Array:
        asked = np.asarray(times, dtype=float)
        check_within(asked, self.start, self.end)
        steps = np.concatenate([[1.0], self.survival])
        return steps[np.searchsorted(self.time, asked, side=side)]

    def quantile(self, share: float) -> float:
        """Time by which ``share`` of the spells (0 to 1, exclusive, else ``FitError``) had ended.

        The first time at which the survival is at or below ``1 - share``; ``inf`` when that was
        not reached while anybody was watched, which means "later than ``end``", not "never".
        """
        _check_fraction("share", share)
        return _first_at_or_below(self.time, self.survival, 1 - share)

    def quantile_band(
        self, share: float, level: float = 0.95, kind: BandKind = "log-log"
    ) -> tuple[float, float]:
        """Confidence limits of ``quantile(share)`` by inverting the pointwise ``band``.

        Source: Brookmeyer & Crowley (1982), Biometrics 38:29. Either limit can be ``inf``, as for
        ``quantile``; errors as in ``quantile`` and ``band``.
        """
        _check_fraction("share", share)
        band = self.band(level, kind)
        limits = (band[side].to_numpy() for side in ("low", "high"))
        low, high = (_first_at_or_below(self.time, limit, 1 - share) for limit in limits)
        return low, high

    def band(self, level: float = 0.95, kind: BandKind = "log-log") -> pd.DataFrame:
        """Pointwise confidence limits: ``time, survival, low, high``; missing once nobody is left.

        ``log-log`` works on log(-log S), stays within [0, 1] and is the better one in small
        samples; ``log`` works on log S and is cut at 1. Source: Kalbfleisch & Prentice (1980),
        section 1.4; Borgan & Liestol (1990), Scand. J. Statist. 17:35. Raises ``FitError`` if
        ``level`` is not strictly between 0 and 1, or ``kind`` is unknown.
        """
        _check_fraction("level", level)
        if kind not in ("log-log", "log"):
            raise FitError(f"A band of kind {kind!r} is not known; use 'log-log' or 'log'.")
        low, high = _band_limits(self.survival, self.std_error, norm.ppf((1 + level) / 2), kind)
        return pd.DataFrame(
            {"time": self.time, "survival": self.survival, "low": low, "high": high}
        )

    def restricted_mean(self, until: float) -> tuple[float, float]:
        """Mean time on the rung between ``start`` and ``until``, with its standard error.

        The area under the curve; the variance is the sum over event times of the squared area
        beyond the event times d / (n (n - d)). Source: Klein & Moeschberger (2003), eq. 4.5.1-2.
        Raises ``OutsideCurveError`` if ``until`` is outside the domain.
        """
        check_within(np.asarray(until, dtype=float), self.start, self.end)
        used = self.time <= until
        edges = np.concatenate([[self.start], self.time[used], [until]])
        areas = np.diff(edges) * np.concatenate([[1.0], self.survival[used]])
        beyond = np.cumsum(areas[::-1])[::-1][1:]
        terms = _greenwood_terms(self.n_at_risk, self.n_events)[used]
        # Once nobody is left nothing lies beyond, so the infinite term carries no weight.
        variance = np.sum(beyond**2 * np.where(beyond > 0, terms, 0.0))
        return float(areas.sum()), float(np.sqrt(variance))

    def frame(self) -> pd.DataFrame:
        """Return the curve as a table, one row an event time."""
        return pd.DataFrame(
            {
                "time": self.time,
                "n_at_risk": self.n_at_risk.astype(int),
                "n_events": self.n_events.astype(int),
                "survival": self.survival,
                "std_error": self.std_error,
                "cumulative_hazard": self.cumulative_hazard,
                "cumulative_hazard_std_error": self.cumulative_hazard_std_error,
            }
        )


def kaplan_meier(
    entry: ArrayLike | None, exit: ArrayLike, event: ArrayLike, *, since: float | None = None
) -> SurvivalCurve:
    """Estimate the share of spells still open by time.

    S(t) is the product over event times s <= t of (1 - d/n), with d spells ended at s among the n
    under observation just before it (entry < s <= exit). Assumes that a spell still open when last
    seen, or not yet seen, was no likelier to end than the others: a lapse is not such a thing, so
    use ``cumulative_incidence`` where spells lapse.

    Parameters
    ----------
    entry
        Shape (n,), when each spell came under observation; ``None`` when all are seen from 0.
    exit
        Shape (n,), when it ended or was last seen open; after ``entry``.
    event
        Shape (n,), whether it ended at ``exit`` (true) or was still open (false).
    since
        Estimate the curve conditional on being open at this time. With late entry this is the
        way round a start where too few were watched.

    Raises
    ------
    FitError
        If lengths differ, there are no rows, a time or event cannot be used, an exit is not after
        its entry, or nothing is seen after ``since``.

    Warns
    -----
    FitWarning
        If the few spells watched early all ended, so that the curve is 0 although others came
        under observation later; or if for a while nobody was watched.

    Notes
    -----
    Source: Kaplan & Meier (1958), JASA 53:457; Greenwood's variance, S^2 times the sum of
    d / (n (n - d)); Nelson-Aalen, sum of d / n, variance sum of d / n^2 (Aalen 1978, Ann. Statist.
    6:701). Late entry: Klein & Moeschberger (2003), section 4.6.

    Examples
    --------
    >>> curve = kaplan_meier(None, [2, 3, 3, 5], [True, True, False, True])
    >>> curve.at([0, 2, 4]).tolist()
    [1.0, 0.75, 0.5]
    """
    spells = observed_spells(entry, exit, _event_flags(event), since)
    table = risk_table(spells)
    ended = table.n_events[:, 0]
    warn_of_lost_start(spells, table)
    survival = np.cumprod(1 - ended / table.n_at_risk)
    with np.errstate(invalid="ignore"):  # 0 * inf where nobody is left: missing, on purpose
        std_error = survival * np.sqrt(np.cumsum(_greenwood_terms(table.n_at_risk, ended)))
    return SurvivalCurve(
        time=read_only(table.time),
        survival=read_only(survival),
        std_error=read_only(std_error),
        cumulative_hazard=read_only(np.cumsum(ended / table.n_at_risk)),
        cumulative_hazard_std_error=read_only(np.sqrt(np.cumsum(ended / table.n_at_risk**2))),
        n_at_risk=read_only(table.n_at_risk),
        n_events=read_only(ended),
        start=spells.start,
        end=float(spells.exit.max()),
        n_spells=spells.exit.size,
    )


def _event_flags(event: ArrayLike) -> np.ndarray:
    """Turn true/false or 1/0 into 1/0, refusing anything else."""
    flags = np.asarray(event)
    if flags.dtype != bool:
        try:
            numbers = flags.astype(float)
        except (TypeError, ValueError) as problem:
            raise FitError("Events must be true or false (or 1 or 0) for each spell.") from problem
        strange = ~np.isin(numbers, (0.0, 1.0))
        if strange.any():
            at = int(np.flatnonzero(strange)[0])
            raise FitError(
                f"Events must be true or false (or 1 or 0); position {at} holds {numbers[at]:g}."
            )
        flags = numbers
    return flags.astype(np.int64)


def _greenwood_terms(n_at_risk: Array, ended: Array) -> Array:
    """Give d / (n (n - d)), infinite where everybody at risk ended."""
    left = n_at_risk - ended
    return np.divide(ended, n_at_risk * left, out=np.full(left.shape, np.inf), where=left > 0)


def _band_limits(
    survival: Array, std_error: Array, z: float, kind: BandKind
) -> tuple[Array, Array]:
    """Pointwise limits on the chosen scale; missing where nobody is left."""
    inside = (survival > 0) & (survival < 1)
    share = np.where(inside, survival, 0.5)
    relative = np.where(inside, std_error, np.nan) / share
    if kind == "log":
        return share * np.exp(-z * relative), np.minimum(share * np.exp(z * relative), 1.0)
    width = z * relative / np.abs(np.log(share))
    return share ** np.exp(width), share ** np.exp(-width)


def _first_at_or_below(time: Array, values: Array, mark: float) -> float:
    """First time at which ``values`` is at or below ``mark``; ``inf`` when it never is."""
    # The tolerance keeps a product of fractions that equals the mark on its side of it.
    below = np.flatnonzero(values <= mark + 1e-12)
    return float(time[below[0]]) if below.size else math.inf


def _check_fraction(name: str, value: float) -> None:
    """Refuse a share or level that is not strictly between 0 and 1."""
    if not 0 < value < 1:
        raise FitError(f"The {name} must lie strictly between 0 and 1, not {value!r}.")
