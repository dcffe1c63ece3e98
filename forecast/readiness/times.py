"""From chances by day to curves by week, and to the points and dates of a wait."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.row import DIGITS, KEYS, MARKS
from forecast.types import Array

CURVE_COLUMNS = (*KEYS, "week", "p_cleared")
POINTS = {"low": 0.1, "mid": 0.5, "high": 0.9}
"""Points of a wait by name: the share that has cleared by then."""


def weeks_at(by_day: Array, share: float) -> Array:
    """Return weeks until the chance first reaches ``share``, NaN where past the horizon.

    ``by_day`` (T, D + 1) are chances of having cleared within 0..D days.
    """
    reached = by_day >= share
    day = reached.argmax(axis=1).astype(float)
    return np.asarray(np.where(reached.any(axis=1), day / 7.0, np.nan))


def dates_at(weeks: Array, as_of: pd.Timestamp) -> pd.Series:
    """Return the dates so many weeks after the cut, missing where the weeks are."""
    return as_of + pd.to_timedelta((pd.Series(weeks) * 7.0).round(), unit="D")


def curve_table(keys: pd.DataFrame, by_day: Array) -> pd.DataFrame:
    """Return the long weekly curve from daily chances; ``keys`` holds athlete and rung."""
    weekly = np.clip(np.maximum.accumulate(by_day[:, 7::7], axis=1), 0.0, 1.0)
    weeks = weekly.shape[1]
    rows = np.repeat(np.arange(len(keys)), weeks)
    table = keys[KEYS].iloc[rows].reset_index(drop=True)
    table["week"] = np.tile(np.arange(1, weeks + 1), len(keys))
    table["p_cleared"] = np.round(weekly.ravel(), DIGITS)
    return table


def time_columns(by_day: Array, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return weeks and dates at the 10, 50 and 90 % points, and chances at the usual weeks.

    A week past the horizon of ``by_day`` is missing there.
    """
    weeks = {
        f"weeks_{name}": np.round(weeks_at(by_day, share), 2) for name, share in POINTS.items()
    }
    dates = {f"date_{name}": dates_at(weeks[f"weeks_{name}"], as_of) for name in POINTS}
    missing = np.full(len(by_day), np.nan)
    chances = {
        f"p_{week}": np.round(by_day[:, 7 * week], DIGITS)
        if 7 * week < by_day.shape[1]
        else missing
        for week in MARKS
    }
    never = np.round(1.0 - by_day[:, -1], DIGITS)
    return pd.DataFrame({**weeks, **dates, **chances, "p_never_in_horizon": never})
