"""Numbers, dates, ranges and chances as people say them: one way each, for every reader."""

from __future__ import annotations

import calendar
from collections.abc import Sequence

import numpy as np
import pandas as pd

from forecast.log import counted

NBSP = "\u00a0"
MINUS = "\u2212"
UNITS = {"seconds": "s", "reps": "reps", "kg": "kg", "cm": "cm"}
NARROW_WEEKS = 6.0
"""A range narrower than this deserves a day; a wider one a part of a month."""
CHANCES = (
    (0.01, "less than 1 in 100"), (0.03, "about 1 in 50"), (0.07, "about 1 in 20"),
    (0.15, "about 1 in 10"), (0.25, "about 2 in 10"), (0.35, "about 3 in 10"),
    (0.45, "about 4 in 10"), (0.55, "about 5 in 10"), (0.65, "about 6 in 10"),
    (0.75, "about 7 in 10"), (0.85, "about 8 in 10"), (0.93, "about 9 in 10"),
    (0.97, "about 19 in 20"), (0.99, "about 49 in 50"), (1.01, "more than 99 in 100"),
)  # fmt: skip
"""Chances below each figure, in words."""
SAYS_NOTHING = 3.0
"""A range from under so many weeks to beyond the horizon says nothing (judgement)."""


def say_chance(chance: float) -> str:
    """Return a chance as a count of cases: ``about 3 in 10``."""
    if np.isnan(chance):
        return "not known"
    return next(text for below, text in CHANCES if chance < below)


def percent(chance: float) -> str:
    """Return a chance in whole per cent, never a flat 0 or 100; ``-`` where there is none."""
    if pd.isna(chance):
        return "-"
    return "<1 %" if chance < 0.01 else ">99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def say_gain(gain: float) -> str:
    """Return a gain a week with its sign: ``+1.6 %``, ``−12 %``; 0 without one."""
    number = 100.0 * gain
    digits = 0 if abs(number) >= 9.95 else 1
    if abs(number) < 0.05:
        return "0 %"
    return f"{number:+.{digits}f} %".replace("-", MINUS)


def say_gain_range(low: float, high: float) -> str:
    """Return an 80 % range of gains: ``8 in 10 from −0.5 % to +1.2 %``."""
    return f"8 in 10 from {say_gain(low)} to {say_gain(high)}"


def say_value(value: float, measure: str) -> str:
    """Return a value with its unit: ``7.6 s``, ``8 reps``, ``1 rep``; whole without decimals."""
    if measure == "reps":
        count = round(value)
        return f"{count}{NBSP}{'rep' if count == 1 else 'reps'}"
    return f"{say_number(value)}{NBSP}{UNITS[measure]}"


def say_number(value: float) -> str:
    """Return ``7.6``, ``12``: one decimal below 20, none where it would be 0."""
    digits = 0 if abs(value - round(value)) < 0.05 or value >= 20 else 1
    return f"{value:.{digits}f}"


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


def whole_weeks(weeks: float, horizon: int) -> str:
    """Return ``<1``, ``6`` or, where missing, ``> 52``."""
    if pd.isna(weeks):
        return f"> {horizon}"
    return "<1" if weeks < 0.5 else str(round(weeks))


def say_weeks(weeks: float) -> str:
    """Return ``less than a week``, ``1 week``, ``6 weeks``."""
    return "less than a week" if weeks < 0.5 else counted(round(weeks), "week")


def say_range(low: float, high: float, horizon: int) -> str:
    """Return an 80 % range in weeks: ``3 to 14``, ``14 to > 52``, ``cannot say yet``."""
    if says_nothing(low, high):
        return "cannot say yet"
    ends = whole_weeks(low, horizon), whole_weeks(high, horizon)
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def says_nothing(low: float, high: float) -> bool:
    """Whether a range of weeks is so wide that it says nothing."""
    return bool(low < SAYS_NOTHING and np.isnan(high))


def say_half(mid: pd.Timestamp, low: float, high: float, horizon: int, as_of: pd.Timestamp) -> str:
    """Return by when half clear it: ``mid-July``, or ``> 52 weeks``."""
    if pd.isna(mid):
        return f"> {horizon} weeks"
    return say_date(mid, as_of, range_weeks=high - low)


def say_ago(weeks: float) -> str:
    """Return how long ago a day was: ``yesterday``, ``4 days ago``, ``3 weeks ago``."""
    days = round(7 * weeks)
    if days < 14:
        return "yesterday" if days <= 1 else f"{days} days ago"
    return f"{round(weeks)} weeks ago"


def listed(names: Sequence[str]) -> str:
    """Return ``a``, ``a and b``, ``a, b and c``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def sentence(text: str) -> str:
    """Return the text with a capital and a full stop."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}" if text else ""
