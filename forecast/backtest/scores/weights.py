"""Weights for those not followed to the horizon: the censoring curve G and its inverse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from forecast.errors import BacktestError
from forecast.log import in_percent
from forecast.types import Array, Flags

MIN_FOLLOWED = 0.1
"""Share of athletes still followed in the last week that is scored (judgement)."""


@dataclass(frozen=True, slots=True)
class CensoringCurve:
    """Chance G(t) of still being followed after week t, as a right-continuous step function.

    ``times`` (k,) are the weeks at which G falls, ``followed`` (k,) is G just after each; G is 1
    before the first.
    """

    times: Array
    followed: Array

    def at(self, weeks: ArrayLike) -> Array:
        """Return G(t), the chance of being followed beyond ``weeks``."""
        return self._step(weeks, side="right")

    def before(self, weeks: ArrayLike) -> Array:
        """Return G(t-), the chance of being followed up to ``weeks``."""
        return self._step(weeks, side="left")

    def _step(self, weeks: ArrayLike, side: str) -> Array:
        place = np.searchsorted(self.times, np.asarray(weeks, float), side=side)  # type: ignore[call-overload]
        return np.concatenate([[1.0], self.followed])[place]


def censoring_curve(time: ArrayLike, cleared: ArrayLike) -> CensoringCurve:
    """Estimate the censoring curve by the reverse Kaplan-Meier product.

    Where a clearing and a loss share a time, the clearing came first, so those who cleared then
    were not at risk of being lost then. Assumes that follow-up ends for reasons unrelated to
    how near the athlete is to clearing; where weak athletes drop out, weighted scores mislead.

    Parameters
    ----------
    time
        Weeks from the cut date to clearing or to the last day followed, shape (n,).
    cleared
        True where ``time`` is a clearing, shape (n,).

    Raises
    ------
    BacktestError
        If the arrays are empty, differ in length or hold a negative or missing time.

    References
    ----------
    E. Graf, C. Schmoor, W. Sauerbrei, M. Schumacher (1999), Statistics in Medicine 18:2529-2545.
    """
    time, cleared = checked_outcomes(time, cleared)
    lost_at = np.unique(time[~cleared])
    lost = np.array([np.sum(~cleared & (time == t)) for t in lost_at], float)
    at_risk = np.array([np.sum(time > t) for t in lost_at], float) + lost
    return CensoringCurve(lost_at, np.cumprod(1.0 - lost / at_risk))


def nobody_lost() -> CensoringCurve:
    """Return the censoring curve of complete follow-up: G = 1 for ever."""
    return CensoringCurve(np.empty(0), np.empty(0))


def weeks_followed(time: ArrayLike, cleared: ArrayLike, horizon: int) -> int:
    """Return the last whole week up to which scores can be trusted.

    Past it less than ``MIN_FOLLOWED`` of the athletes would still be followed, so that a
    handful of athletes would carry weights above ``1 / MIN_FOLLOWED``. Raises ``BacktestError`` if
    not even the first week was followed by that share.
    """
    curve = censoring_curve(time, cleared)
    weeks = np.arange(1, horizon + 1)
    enough = weeks[curve.before(weeks) >= MIN_FOLLOWED]
    if not enough.size:
        raise BacktestError(
            f"fewer than {in_percent(MIN_FOLLOWED)} of the athletes were followed for one week "
            "after the cut; take earlier cut dates or a longer log"
        )
    return int(enough[-1])


def checked_outcomes(time: ArrayLike, cleared: ArrayLike | None) -> tuple[Array, Flags]:
    """Return copies of ``time`` (n,) and ``cleared`` (n,), all of them if it is left out.

    Errors as in ``censoring_curve``.
    """
    weeks = np.array(time, dtype=float)
    done = np.ones(weeks.shape, bool) if cleared is None else np.array(cleared, dtype=bool)
    if weeks.ndim != 1 or weeks.shape != done.shape or not weeks.size:
        raise BacktestError(
            f"outcomes need two equally long lists of one entry or more; "
            f"got shapes {weeks.shape} and {done.shape}"
        )
    if not np.all(weeks >= 0):  # also catches NaN
        raise BacktestError("weeks to clearing must be zero or more and never missing")
    return weeks, done
