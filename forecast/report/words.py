"""Dates, weeks and chances as people say them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from forecast.charts import say_date, say_day
from forecast.log import chance_in_percent, counted

__all__ = [
    "HEADINGS", "count_weeks", "in_sessions", "percent", "say_chance", "say_date", "say_day",
    "say_half", "say_percent", "say_range", "say_usual", "say_value", "say_weeks",
]  # fmt: skip

UNITS = {"seconds": "s", "reps": "reps", "kg": "kg", "cm": "cm"}
NBSP = "\u00a0"
MONTHS_FROM_WEEKS = 16.0
WEEKS_A_MONTH = 4.345
HEADINGS = {
    "as_of": "Cut date",
    "athlete": "Athlete",
    "cleared": "Cleared",
    "column": "Roster column",
    "confidence": "Record",
    "contrast": "Compared",
    "date_mid": "Half by",
    "flat_share": "Flat",
    "forecaster": "Forecaster",
    "group": "Rung",
    "hazard_ratio": "Clears, times as often",
    "high": "to",
    "lapse_share": "Ended in lapse",
    "lapsed": "Lapsed",
    "level_value": "Usual level",
    "low": "from",
    "median_high": "half, to",
    "median_low": "half, from",
    "median_weeks": "Half by week",
    "n_cleared": "Cleared",
    "n_lapsed": "Lapsed",
    "n_spells": "Spells",
    "next_step": "Next step",
    "odds_ratio": "Odds of stopping, times",
    "open": "Open",
    "p_holm": "p (Holm)",
    "reason": "Reason",
    "rung_name": "Rung",
    "sessions": "Sessions",
    "share_logged": "Share of all weeks",
    "spells": "Spells",
    "state": "State",
    "target": "Mark",
    "text": "In words",
    "usual": "Usual day",
    "warnings": "Mind",
    "weeks_high": "9 in 10 by week",
    "weeks_low": "1 in 10 by week",
    "weeks_mid": "Half by week",
    "why": "Why",
}
"""Headings of the tables' columns where people read them."""


def say_weeks(weeks: float, horizon: int) -> str:
    """Return ``about 6 weeks``; ``more than 52 weeks`` where missing, months where many."""
    if pd.isna(weeks):
        return f"more than {horizon} weeks"
    if weeks < 1.0:
        return "less than a week"
    count = round(weeks)
    text = f"about {counted(count, 'week')}"
    if weeks >= MONTHS_FROM_WEEKS:
        text += f" ({round(weeks / WEEKS_A_MONTH)} months)"
    return text


def say_half(row: Any, as_of: pd.Timestamp, horizon: int) -> str:
    """Return ``half by mid-July``, or that fewer have cleared; ``row`` of a forecast's summary."""
    if pd.isna(row.date_mid):
        return f"fewer than half within {horizon} weeks"
    wide = row.weeks_high - row.weeks_low
    return f"half by {say_date(row.date_mid, as_of, range_weeks=wide)}"


def say_range(low: float, high: float, horizon: int) -> str:
    """Return a range of weeks: ``3 to 14 weeks``, ``14 to more than 52 weeks``."""
    if pd.isna(low):
        return f"more than {horizon} weeks"
    if pd.isna(high):
        return f"{count_weeks(low)} to more than {horizon} weeks"
    if round(high) <= 1:
        return "1 week or less"
    if round(low) == round(high):
        return f"about {round(high)} weeks"
    return f"{count_weeks(low)} to {round(high)} weeks"


def count_weeks(weeks: float) -> str:
    """Return whole weeks as a number, ``less than 1`` below half a week."""
    return "less than 1" if weeks < 0.5 else str(round(weeks))


def say_chance(chance: float) -> str:
    """Return a chance as a count of cases: ``about 3 in 10``."""
    if pd.isna(chance):
        return "not known"
    if chance < 0.02:
        return "less than 1 in 50"
    if chance > 0.98:
        return "more than 49 in 50"
    if chance < 0.075:
        return "about 1 in 20"
    if chance > 0.925:
        return "about 19 in 20"
    return f"about {min(max(round(10 * chance), 1), 9)} in 10"


def say_percent(gain: float) -> str:
    """Return a gain with its sign: ``+1.6 %``."""
    return f"{100.0 * gain:+.1f}{NBSP}%".replace("-", "\u2212")


def percent(chance: float) -> str:
    """Return a chance in whole per cent, never a flat 0 or 100: ``<1 %``, ``56 %``."""
    return chance_in_percent(chance).replace(" ", NBSP)


def say_value(value: float, measure: str) -> str:
    """Return a value with its unit: ``7.6 s``, ``2.4 reps``; whole numbers without decimals."""
    digits = 0 if abs(value - round(value)) < 0.05 or value >= 20 else 1
    return f"{value:.{digits}f}{NBSP}{UNITS[measure]}"


def say_usual(value: float, measure: str, *, unit: bool = True) -> str:
    """Return what a usual day shows: ``7.6 s``, ``8 repetitions``; a dash where nothing counted."""
    if pd.isna(value):
        return "\u2013"
    if measure == "reps":
        if not unit:
            return str(int(value))
        return f"{int(value)}{NBSP}{'repetition' if int(value) == 1 else 'repetitions'}"
    return say_value(value, measure)


def in_sessions(confirm: int) -> str:
    """Return the end of a sentence on a pass mark: empty, or in how many sessions running."""
    return "" if confirm == 1 else f" in {confirm} sessions running"
