"""Numbers, dates, ranges and chances as people say them: one way each, for every reader."""

from __future__ import annotations

import calendar
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Criterion
from forecast.log import counted, in_percent

TEXTS: Mapping[str, Any] = tomllib.loads(
    Path(__file__).with_name("texts.toml").read_text(encoding="utf-8")
)
"""Fixed sentences, by section and name."""
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


def text(name: str, /, **figures: object) -> str:
    """Return a heading or sentence by its name, filled in."""
    return str(TEXTS["texts"][name]).format(**figures)


def chance(share: float) -> str:
    """Return a chance as a count of cases: ``about 3 in 10``."""
    if np.isnan(share):
        return "not known"
    return next(text for below, text in CHANCES if share < below)


def percent(share: float) -> str:
    """Return a chance in whole per cent, never a flat 0 or 100; ``-`` where there is none."""
    if pd.isna(share):
        return "-"
    return "<1 %" if share < 0.01 else ">99 %" if share > 0.99 else in_percent(share)


def gain(per_week: float) -> str:
    """Return a gain a week with its sign: ``+1.6 %``, ``−12 %``; 0 without one."""
    number = 100.0 * per_week
    digits = 0 if abs(number) >= 9.95 else 1
    if abs(number) < 0.05:
        return "0 %"
    return f"{number:+.{digits}f} %".replace("-", MINUS)


def gain_range(low: float, high: float) -> str:
    """Return an 80 % range of gains: ``8 in 10 from −0.5 % to +1.2 %``."""
    return f"8 in 10 from {gain(low)} to {gain(high)}"


def value(shown: float, measure: str) -> str:
    """Return a value with its unit: ``7.6 s``, ``8 reps``, ``1 rep``; whole without decimals."""
    if measure == "reps":
        return f"{round(shown)}{NBSP}{'rep' if round(shown) == 1 else 'reps'}"
    return f"{number(shown, measure)}{NBSP}{UNITS[measure]}"


def mark(criterion: Criterion) -> str:
    """Return a pass mark with the load it asks for: ``10 s``, ``5 reps with 20 kg``."""
    load = f" with {criterion.load_kg:g}{NBSP}kg" if criterion.load_kg else ""
    if criterion.load_bodyweight:
        load = f" with {in_percent(criterion.load_bodyweight)} of body mass"
    return f"{value(criterion.target, criterion.measure)}{load}"


def number(shown: float, measure: str = "") -> str:
    """Return ``7.6``, ``12``: whole reps, else one decimal below 20, none where it would be 0."""
    whole = measure == "reps" or shown >= 20 or abs(shown - round(shown)) < 0.05
    return f"{shown:.{0 if whole else 1}f}"


def day(date: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return ``12 May``, with the year where it is not that of ``as_of``."""
    year = "" if date.year == as_of.year else f" {date.year}"
    return f"{date.day} {calendar.month_name[date.month]}{year}"


def half(mid: pd.Timestamp, low: float, high: float, horizon: int, as_of: pd.Timestamp) -> str:
    """Return by when half clear it, no finer than it is known.

    ``about 12 May``, ``mid-June 2027`` or, past the horizon, ``> 52 weeks``; ``low`` and ``high``
    are the ends of the range in weeks, and a missing one means that it is wide.
    """
    if pd.isna(mid):
        return f"> {horizon} weeks"
    if high - low <= NARROW_WEEKS:  # false where missing
        return f"about {day(mid, as_of)}"
    third = "early " if mid.day <= 10 else "mid-" if mid.day <= 20 else "late "
    return third + day(mid, as_of).removeprefix(f"{mid.day} ")


def weeks(count: float) -> str:
    """Return ``less than a week``, ``1 week``, ``6 weeks``."""
    return "less than a week" if count < 0.5 else counted(round(count), "week")


def whole_weeks(count: float, horizon: int) -> str:
    """Return ``<1``, ``6`` or, where missing, ``> 52``."""
    if pd.isna(count):
        return f"> {horizon}"
    return "<1" if count < 0.5 else str(round(count))


def span(low: float, high: float, horizon: int) -> str:
    """Return an 80 % range in weeks: ``3 to 14``, ``14 to > 52``, ``cannot say yet``."""
    if says_nothing(low, high):
        return "cannot say yet"
    ends = whole_weeks(low, horizon), whole_weeks(high, horizon)
    same = ends[0] in (ends[1], str(horizon)) or ends == ("<1", "1")
    return ends[1] if same else " to ".join(ends)


def says_nothing(low: float, high: float) -> bool:
    """Whether a range of weeks is so wide that it says nothing."""
    return bool(low < SAYS_NOTHING and np.isnan(high))


def ago(count: float) -> str:
    """Return how many weeks ago a day was: ``yesterday``, ``4 days ago``, ``3 weeks ago``."""
    days = round(7 * count)
    if days < 14:
        return "yesterday" if days <= 1 else f"{days} days ago"
    return f"{round(count)} weeks ago"


def listed(names: Sequence[str]) -> str:
    """Return ``a``, ``a and b``, ``a, b and c``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def sentence(text: str) -> str:
    """Return the text with a capital and a full stop."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}" if text else ""
