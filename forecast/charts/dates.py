"""Dates as people say them, in words and on charts: the one function for both."""

from __future__ import annotations

import calendar

import pandas as pd

NARROW_WEEKS = 6.0
"""A range narrower than this deserves a day; a wider one a part of a month."""


def say_day(day: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return ``12 May``, with the year where it is not that of ``as_of``."""
    year = "" if day.year == as_of.year else f" {day.year}"
    return f"{day.day} {calendar.month_name[day.month]}{year}"


def say_date(day: pd.Timestamp, as_of: pd.Timestamp, *, range_weeks: float = 0.0) -> str:
    """Return a date no finer than it is known: ``about 12 May`` or ``mid-June 2027``.

    Parameters
    ----------
    day
        The date to say.
    as_of
        The day from which it is looked at; its year is left out.
    range_weeks
        Width of the range the date stands for, in weeks; missing means wide.
    """
    if range_weeks <= NARROW_WEEKS:  # false where missing
        return f"about {say_day(day, as_of)}"
    part = "early " if day.day <= 10 else "mid-" if day.day <= 20 else "late "
    year = "" if day.year == as_of.year else f" {day.year}"
    return f"{part}{calendar.month_name[day.month]}{year}"
