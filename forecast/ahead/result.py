"""What is asked of a look up the ladder, and what it is: numbers in range, and tables."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecast.errors import ForecastError, is_number
from forecast.log import as_day
from forecast.row import DIGITS
from forecast.types import Array

MOST_HORIZON = 1040
"""Weeks that can be looked ahead, twenty years: nothing learnt from a log reaches further."""
MOST_RATE = 7.0


def check_horizon(horizon_weeks: float) -> int:
    """Return the weeks to look ahead, or say what is wrong with them."""
    within = is_number(horizon_weeks) and 1 <= horizon_weeks <= MOST_HORIZON
    if not within or int(horizon_weeks) != horizon_weeks:
        raise ForecastError(
            f"horizon_weeks = {horizon_weeks!r}; give a whole number of weeks, 1 to {MOST_HORIZON}."
        )
    return int(horizon_weeks)


def check_rate(sessions_per_week: object) -> float:
    """Return a rate of training, or say what is wrong with it."""
    if is_number(sessions_per_week) and 0 < sessions_per_week <= MOST_RATE:
        return float(sessions_per_week)
    raise ForecastError(
        f"sessions_per_week = {sessions_per_week!r}; give a number above 0, at most 7."
    )


def check_rates(sessions_per_week: object) -> tuple[float, ...]:
    """Return rates of training to compare, or say what is wrong with them."""
    if isinstance(sessions_per_week, Iterable) and not isinstance(sessions_per_week, str | bytes):
        rates = tuple(check_rate(rate) for rate in sessions_per_week)
        if rates:
            return rates
    raise ForecastError(
        f"sessions_per_week = {sessions_per_week!r}; give a list of one rate or more, such as "
        "[2, 3, 4]."
    )


@dataclass(frozen=True, slots=True)
class LadderAhead:
    """A forecast for every rung still ahead of every athlete, top rung last.

    Attributes
    ----------
    summary
        One row an (athlete, rung) ahead, the columns of ``ReadinessForecast.summary``. Weeks and
        dates count from ``as_of`` whether or not the rung is open yet. Of a rung not begun,
        ``level`` and ``gain_ahead`` are what is expected at its first session, and
        ``p_next_session`` is the chance that its first session meets the criterion.
    curve
        ``athlete, rung, week`` (1..H), ``p_cleared``.
    target
        With a ``target_date``: one row an athlete with the ladder's top still ahead: ``athlete,
        rung, target_date, p_by_target, gain_per_week, gain_needed, times_as_fast, text``. Else
        empty.
    by_day
        (rows of ``summary``, D + 1) chance of having cleared within 0..D days.
    as_of, horizon_weeks
        The cut date, and weeks looked ahead.
    """

    summary: pd.DataFrame
    curve: pd.DataFrame
    target: pd.DataFrame
    by_day: Array
    as_of: pd.Timestamp
    horizon_weeks: int

    def chance_by(self, date: pd.Timestamp | str) -> pd.DataFrame:
        """Return the chance that each rung is cleared by the end of a day.

        Columns ``athlete, rung, rung_name, date, p_cleared``.

        Raises
        ------
        ForecastError
            It is not a date (text must be ISO 8601, such as ``2027-05-01``), or it lies before
            ``as_of`` or past the horizon.
        """
        day = days_ahead(date, self.as_of, self.horizon_weeks)
        table = self.summary[["athlete", "rung", "rung_name"]].copy()
        table["date"] = self.as_of + pd.Timedelta(days=day)
        table["p_cleared"] = np.round(self.by_day[:, day], DIGITS)
        return table

    def for_athlete(self, athlete: str) -> LadderAhead:
        """Return the part about one athlete.

        Raises
        ------
        ForecastError
            Nothing lies ahead of this athlete here.
        """
        mine = (self.summary["athlete"] == athlete).to_numpy()
        if not mine.any():
            known = ", ".join(dict.fromkeys(self.summary["athlete"])) or "none"
            raise ForecastError(f"Nothing lies ahead of {athlete!r} here; athletes: {known}.")
        summary, curve, target = (
            frame[frame["athlete"] == athlete].reset_index(drop=True)
            for frame in (self.summary, self.curve, self.target)
        )
        return replace(self, summary=summary, curve=curve, target=target, by_day=self.by_day[mine])

    def _repr_html_(self) -> str:
        return self.summary.to_html(index=False)


def days_ahead(
    date: pd.Timestamp | str, as_of: pd.Timestamp, horizon_weeks: int, what: str = "date"
) -> int:
    """Return days from the cut to a date within the horizon, or say what is wrong with it."""
    asked = as_day(date, what)
    day = (asked - as_of).days
    if not 0 <= day <= 7 * horizon_weeks:
        last = (as_of + pd.Timedelta(weeks=horizon_weeks)).date()
        raise ForecastError(
            f"{what} = {asked.date()} does not lie between the cut date {as_of.date()} and "
            f"{last}, the end of the {horizon_weeks} weeks looked ahead; choose another date or "
            "a longer horizon_weeks."
        )
    return int(day)


def chances_by_day(cleared: Array, most_days: int) -> Array:
    """(T, D + 1) shares of (T, P) clearing days that fall within 0..D days."""
    rows, paths = cleared.shape
    day = np.minimum(np.ceil(np.maximum(cleared, 0.0)), most_days + 1).astype(np.int64)
    flat = (np.arange(rows)[:, None] * (most_days + 2) + day).ravel()
    counts = np.bincount(flat, minlength=rows * (most_days + 2)).reshape(rows, most_days + 2)
    return np.asarray(np.cumsum(counts[:, :-1], axis=1) / paths)


WHAT_IF_COLUMNS = (
    "athlete", "rung", "rung_name", "sessions_per_week", "as_now", "weeks_low", "weeks_mid",
    "weeks_high", "date_mid", "p_12", "p_26", "p_never_in_horizon",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A forecast at several rates of training or pass marks, and what to know before reading it.

    Attributes
    ----------
    table
        One row a rung ahead and rate, ``WHAT_IF_COLUMNS``, or one row a mark, as ``what_if_mark``
        says (``as_now`` marks the present one);
        weeks and dates as in ``LadderAhead.summary``.
    warning
        Sentences that belong beside the table wherever it is shown.
    """

    table: pd.DataFrame
    warning: str

    def _repr_html_(self) -> str:
        return f"<p>{self.warning}</p>{self.table.to_html(index=False)}"
