"""What a forecast is: one validated summary row and one curve for each open rung."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.errors import ForecastError
from forecast.types import Array

SUMMARY_COLUMNS = (
    "athlete", "rung", "rung_name", "sessions", "level", "level_value", "target",
    "gain_per_week", "weeks_low", "weeks_mid", "weeks_high", "date_low", "date_mid", "date_high",
    "p_next_session", "p_4", "p_8", "p_12", "p_26", "p_never_in_horizon", "state", "p_flat",
    "gain_lately", "gain_lately_low", "gain_lately_high", "gain_ahead", "met_lately",
    "met_expected", "sessions_per_week", "p_lapse_26",
    "comparable", "confidence", "warnings",
)  # fmt: skip
"""Columns of ``ReadinessForecast.summary``, in order."""

SHOWN_COLUMNS = (
    "athlete", "rung_name", "level_value", "target", "p_4", "p_12", "weeks_low", "weeks_mid",
    "weeks_high", "state", "confidence",
)  # fmt: skip
"""Columns that a notebook shows."""

CURVE_COLUMNS = ("athlete", "rung", "week", "p_cleared")
REASON_COLUMNS = ("athlete", "rung", "what", "value", "unit", "text")
POINTS = {"low": 0.1, "mid": 0.5, "high": 0.9}
MARKS = (4, 8, 12, 26)
DIGITS = 6
"""Decimals kept: far below what matters, far above the last bits of floating-point sums."""


@dataclass(frozen=True, slots=True)
class ReadinessForecast:
    """A forecast for every open rung.

    Attributes
    ----------
    summary
        One row an open (athlete, rung), columns ``SUMMARY_COLUMNS``. ``weeks_low``,
        ``weeks_mid``, ``weeks_high`` are the 10, 50 and 90 % points in weeks after ``as_of``;
        one past the horizon is missing. ``level`` is log(capacity / target), ``level_value`` what a
        usual day shows, never above what was shown. ``gain_lately`` with its 80 % range is the
        change of level a week as measured over the last six weeks of training, missing where there
        is not a session; ``gain_per_week`` is the same; ``gain_ahead`` is what is expected from now
        on. ``met_lately`` of the latest sessions (up to 30 in 12 weeks) met the mark,
        ``met_expected`` is what the model would have expected of them. ``sessions_per_week`` is
        counted without breaks. ``p_flat`` is the chance of being flat that ``state`` follows from.
    curve
        ``athlete, rung, week`` (1..H) and ``p_cleared``: the chance that the rung is cleared
        within that many weeks if the athlete keeps training as lately.
    reasons
        What drives each forecast: ``athlete, rung, what, value, unit, text``.
    as_of
        Cut date: nothing dated on or after it was used.
    horizon_weeks
        Weeks looked ahead.
    engine
        ``pool``, ``growth`` or ``survival``.
    """

    summary: pd.DataFrame
    curve: pd.DataFrame
    reasons: pd.DataFrame
    as_of: pd.Timestamp
    horizon_weeks: int
    engine: str = "pool"

    def for_athlete(self, athlete: str) -> ReadinessForecast:
        """Return the part of the forecast about one athlete.

        Raises
        ------
        ForecastError
            The athlete has no open rung in this forecast.
        """
        known = sorted(set(self.summary["athlete"]))
        if athlete not in known:
            raise ForecastError(
                f"{athlete!r} has no open rung in this forecast; athletes with one: "
                f"{', '.join(known) or 'none'}."
            )
        summary, curve, reasons = (
            frame[frame["athlete"] == athlete].reset_index(drop=True)
            for frame in (self.summary, self.curve, self.reasons)
        )
        return ReadinessForecast(
            summary, curve, reasons, self.as_of, self.horizon_weeks, self.engine
        )

    def _repr_html_(self) -> str:
        """The columns people ask for first; ``summary`` has all."""
        said = f"<p>{self.horizon_weeks} weeks from {self.as_of.date()}; engine: {self.engine}</p>"
        return said + self.summary[list(SHOWN_COLUMNS)].round(2).to_html(index=False)


def weeks_at(by_day: Array, share: float) -> Array:
    """Return weeks until the chance first reaches ``share``, NaN where past the horizon.

    ``by_day`` (T, D + 1) are chances of having cleared within 0..D days.
    """
    reached = by_day >= share
    day = reached.argmax(axis=1).astype(float)
    return np.asarray(np.where(reached.any(axis=1), day / 7.0, np.nan))


def curve_table(keys: pd.DataFrame, by_day: Array) -> pd.DataFrame:
    """Return the long weekly curve from daily chances; ``keys`` holds athlete and rung."""
    weekly = np.clip(np.maximum.accumulate(by_day[:, 7::7], axis=1), 0.0, 1.0)
    weeks = weekly.shape[1]
    rows = np.repeat(np.arange(len(keys)), weeks)
    table = keys[["athlete", "rung"]].iloc[rows].reset_index(drop=True)
    table["week"] = np.tile(np.arange(1, weeks + 1), len(keys))
    table["p_cleared"] = np.round(weekly.ravel(), DIGITS)
    return table


def time_columns(by_day: Array, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return weeks and dates at the 10, 50 and 90 % points, and chances at the usual weeks.

    A week past the horizon of ``by_day`` is missing there.
    """
    out: dict[str, object] = {}
    for name, share in POINTS.items():
        out[f"weeks_{name}"] = np.round(weeks_at(by_day, share), 2)
    for name in POINTS:
        days = pd.Series(out[f"weeks_{name}"]) * 7.0
        out[f"date_{name}"] = as_of + pd.to_timedelta(days.round(), unit="D")
    last = by_day.shape[1] - 1
    for week in MARKS:
        known = 7 * week <= last
        out[f"p_{week}"] = (
            np.round(by_day[:, 7 * week], DIGITS) if known else np.full(len(by_day), np.nan)
        )
    out["p_never_in_horizon"] = np.round(1.0 - by_day[:, -1], DIGITS)
    return pd.DataFrame(out)
