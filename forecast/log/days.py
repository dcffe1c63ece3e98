"""A day given by hand: a date, or text that can be read in one way only."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from forecast.errors import ForecastError
from forecast.log.dates import EARLIEST, LATEST

YEAR_DAYS = 365.2425
"""Mean length of a Gregorian year."""


def latest_today() -> pd.Timestamp:
    """Return the date of now, where on earth it is latest (UTC+14): records may come from there.

    The only place where the clock is read.
    """
    return pd.Timestamp.now("UTC+14:00").normalize().tz_localize(None).as_unit("ns")


def as_day(
    when: object, what: str = "date", error: type[ForecastError] = ForecastError
) -> pd.Timestamp:
    """Return the midnight of a day, without time zone.

    Text must be ISO 8601 (``2026-05-01``): with ``03/04/2026`` it is never guessed whether day or
    month comes first.

    Parameters
    ----------
    when
        Text, or a date or time of the standard library, numpy or pandas.
    what
        What the message calls it, such as ``as_of``.
    error
        Class of the error raised.

    Raises
    ------
    ForecastError
        If it is no such date, or lies outside 1950 to 2100.

    Examples
    --------
    >>> as_day("2026-05-01 18:30")
    Timestamp('2026-05-01 00:00:00')
    """
    stamp = _stamp(when)
    if stamp is None:
        raise error(f"{what} = {when!r} is not a date; write it as 2026-05-01, year first.")
    if not EARLIEST.year <= stamp.year <= LATEST.year:
        raise error(f"{what} = {when!r} is not in {EARLIEST.year} to {LATEST.year}; mend the year.")
    # One unit, that of the log's dates: tables of dates are equal however the day was given.
    return stamp.normalize().tz_localize(None).as_unit("ns")


def _stamp(when: object) -> pd.Timestamp | None:
    if isinstance(when, str):
        try:
            when = dt.datetime.fromisoformat(when.strip())
        except ValueError:
            return None
    if not isinstance(when, dt.date | np.datetime64) or pd.isna(when):
        return None
    return pd.Timestamp(when)
