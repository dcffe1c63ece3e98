"""What the charts of a rung mark beside their lines: the pass mark, the dates, and their words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from forecast.histories import Histories
from forecast.ladder import Criterion
from forecast.readiness import ON_HOLD, PAIN, ReadinessForecast
from forecast.report.words import UNITS, in_sessions, say_date, say_half, say_range, say_value

LEAST_WEEKS, MOST_WEEKS = 4, 26
"""Weeks after the cut that a chart goes on: to where 9 in 10 have cleared, within these."""
MARK_COLUMNS = [
    "who", "athlete", "target", "unit", "as_of", "cleared_on", "date_low", "date_mid",
    "date_last", "text_target", "text_when", "text_tie",
]  # fmt: skip
SHARES = {"low": (0.1, "1 in 10"), "mid": (0.5, "half"), "high": (0.9, "9 in 10")}
"""Points of the range, by the end of their columns' names: share cleared, and its words."""


def edge_weeks(keys: pd.DataFrame) -> pd.Series:
    """Return up to which week the charts of each rung go on."""
    return np.ceil(keys["weeks_high"]).fillna(MOST_WEEKS).clip(LEAST_WEEKS, MOST_WEEKS)


def marks_table(
    keys: pd.DataFrame, histories: Histories, horizon: int, ahead: pd.DataFrame
) -> pd.DataFrame:
    """Return one row an open rung; see ``charts.progress``.

    Parameters
    ----------
    keys
        The forecast's summary, with ``mark`` and ``who``.
    histories
        Of the ladder and cut date.
    horizon
        Weeks the forecast looks ahead.
    ahead
        ``who, date, mid, target``: the level after the cut.
    """
    at_mark = ahead[ahead["mid"] >= ahead["target"]].groupby("who")["date"].min()
    rows = []
    for key, weeks in zip(keys.itertuples(index=False), edge_weeks(keys), strict=True):
        edge = histories.as_of + pd.Timedelta(weeks=weeks)
        criterion = histories.ladder.rung(key.rung).criterion
        rows.append(
            {
                "who": key.who,
                "athlete": key.athlete,
                "target": key.target,
                "unit": UNITS[criterion.measure],
                "as_of": histories.as_of,
                "cleared_on": pd.NaT,
                **_dates(key, edge),
                "text_target": f"pass mark {say_value(key.target, criterion.measure)}"
                + in_sessions(criterion.confirm_sessions),
                "text_when": _when(key, histories.as_of, horizon),
                "text_tie": _tie(key, at_mark.get(key.who), edge, criterion, histories.as_of,
                                 horizon),
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=MARK_COLUMNS)


def _dates(key: Any, edge: pd.Timestamp) -> dict[str, pd.Timestamp]:
    """The dates that lie on the chart; none beside pain."""
    shown = key.mark != PAIN and pd.notna(key.date_low) and key.date_low <= edge
    half = key.mark != PAIN and pd.notna(key.date_mid) and key.date_mid <= edge
    last = edge if pd.isna(key.date_high) else min(key.date_high, edge)
    return {
        "date_low": key.date_low if shown else pd.NaT,
        "date_mid": key.date_mid if half else pd.NaT,
        "date_last": last if shown else pd.NaT,
    }


def _when(key: Any, as_of: pd.Timestamp, horizon: int) -> str:
    if key.mark == PAIN:
        return ON_HOLD
    weeks = say_range(key.weeks_low, key.weeks_high, horizon)
    return f"{say_half(key, as_of, horizon)}; 8 in 10 in {weeks}"


def _tie(
    key: Any,
    at_mark: pd.Timestamp | None,
    edge: pd.Timestamp,
    criterion: Criterion,
    as_of: pd.Timestamp,
    horizon: int,
) -> str:
    """Say how the line and the dates go together: the one is a usual day, the other a rule."""
    if key.mark == PAIN or not key.sessions:
        return ""
    wide = key.weeks_high - key.weeks_low
    if at_mark is None:
        end = say_date(edge, as_of, range_weeks=wide)
        line = f"has not reached the mark by {end}, where the chart ends"
    elif at_mark > as_of:
        line = f"reaches the mark by {say_date(at_mark, as_of, range_weeks=wide)}"
    else:
        line = "is at the mark already"
    running = in_sessions(criterion.confirm_sessions)
    takes = f"the mark{running}" if running else "one good day"
    return (
        f"The dotted line, a usual day if training has no break, {line}. Clearing takes {takes}, "
        f"and breaks cost time: {say_half(key, as_of, horizon)}."
    )


def points_table(keys: pd.DataFrame, forecast: ReadinessForecast) -> pd.DataFrame:
    """Return the points marked on the curve of chances; see ``charts.chance_by_week``."""
    frames = []
    width, horizon = keys["weeks_high"] - keys["weeks_low"], forecast.horizon_weeks
    for name, (share, words) in SHARES.items():
        text = [
            f"{words} by {say_date(day, forecast.as_of, range_weeks=wide)}"
            if pd.notna(day)
            else f"{words} not within {horizon} weeks"
            for day, wide in zip(keys[f"date_{name}"], width, strict=True)
        ]
        frames.append(
            keys[["who", "athlete"]].assign(
                share=share,
                week=keys[f"weeks_{name}"],
                text=text,
                low=keys["weeks_low"].fillna(horizon),
                high=keys["weeks_high"].fillna(horizon),
            )
        )
    return pd.concat(frames, ignore_index=True)
