"""What a forecast is: a row, a summary line and a curve for each open rung."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from forecast import inline, words
from forecast.errors import ForecastError
from forecast.row import DIGITS, KEYS, Row, rounded, rows_table
from forecast.types import WEEK

if TYPE_CHECKING:
    import altair as alt

REASON_COLUMNS = (*KEYS, "what", "value", "unit", "text")
STATE_COLUMNS = (
    *KEYS, "state", "since", "weeks_flat", "gain", "gain_low", "gain_high", "p_flat", "reason",
    "since_low", "since_high", "smallest_gain", "p_climbing", "p_slipping", "on_hold",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ReadinessForecast:
    """A forecast for every open rung.

    ``summary`` has one line an open (athlete, rung), columns ``row.SUMMARY_COLUMNS``: ``weeks_low,
    weeks_mid, weeks_high`` are the 10, 50 and 90 % points in weeks after ``as_of``, missing past
    the horizon; ``level`` is log(capacity / target), ``level_value`` what a usual day shows, never
    above what was shown; ``gain_lately`` with its 80 % range is the change of level a week over the
    last six weeks, missing where there is no session (``gain_per_week`` is the same),
    ``gain_ahead`` what is expected; ``met_lately`` of the latest sessions (up to 30 in 12 weeks)
    met the mark, the model would have expected ``met_expected``; ``sessions_per_week`` is counted
    without breaks; ``p_climbing, p_flat, p_slipping`` add to 1. Where ``on_hold`` is ``pain`` every
    chance, week and date is missing. ``curve`` has ``athlete, rung, week`` (1..H), ``p_cleared``:
    the chance that the rung is cleared within that many weeks if the athlete keeps training as
    lately; rungs on hold have none. ``reasons`` are what drives each forecast, heaviest first:
    ``athlete, rung, what, value, unit, text``. The tables are made from ``rows``; nothing dated on
    or after ``as_of`` was used; ``engine`` is ``pool``, or the name of one engine.
    """

    summary: pd.DataFrame
    curve: pd.DataFrame
    reasons: pd.DataFrame
    rows: tuple[Row, ...]
    as_of: pd.Timestamp
    horizon_weeks: int
    engine: str = "pool"

    def for_athlete(self, athlete: str) -> ReadinessForecast:
        """Return what is forecast of one athlete; ``ForecastError`` without an open rung."""
        names = sorted({row.athlete for row in self.rows})
        if athlete not in names:
            raise ForecastError(
                f"{athlete!r} has no open rung in this forecast; athletes with one: "
                f"{', '.join(names) or 'none'}."
            )
        return self.only([athlete])

    def only(self, athletes: Sequence[str]) -> ReadinessForecast:
        """Return what is forecast of these athletes, empty where none has an open rung."""
        summary, curve, reasons = (
            frame[frame["athlete"].isin(athletes)].reset_index(drop=True)
            for frame in (self.summary, self.curve, self.reasons)
        )
        rows = tuple(row for row in self.rows if row.athlete in athletes)
        return replace(self, summary=summary, curve=curve, reasons=reasons, rows=rows)

    def quantile(self, level: float) -> pd.DataFrame:
        """Return ``athlete, rung, weeks, date`` by which each rung is cleared with a chance.

        ``level`` is the chance, between 0 and 1 (else ``ForecastError``). Weeks are read off the
        curve between its weeks; they are missing past the horizon, and under a hold.
        """
        if not (isinstance(level, float | int) and 0 < level < 1):
            raise ForecastError(f"level = {level!r}; give a chance between 0 and 1, such as 0.9.")
        weeks = self.curve.groupby(KEYS, sort=False)["p_cleared"].agg(_reached, level)
        at = weeks.reindex(pd.MultiIndex.from_frame(self.summary[KEYS])).to_numpy(float)
        days = pd.to_timedelta((pd.Series(at) * WEEK).round(), unit="D")
        return self.summary[KEYS].assign(weeks=at.round(2), date=self.as_of + days)

    def plot(self, athlete: str) -> alt.LayerChart:
        """Return the chart of an athlete's chances by week; a list picks among several rungs.

        Raises ``ForecastError`` if the athlete has no open rung, or all of them are on hold.
        """
        from forecast.charts import chance_by_week  # drawing is loaded when asked for

        mine = self.for_athlete(athlete)
        return chance_by_week(mine.curve, mine.rows, slider=True)

    def __repr__(self) -> str:
        return (
            f"ReadinessForecast({len(self.rows)} open rungs of "
            f"{self.summary['athlete'].nunique()} athletes, as of {self.as_of.date()}, "
            f"{self.horizon_weeks} weeks ahead, engine={self.engine!r})"
        )

    def _repr_html_(self) -> str:
        return inline.rows_html(self.rows)


def _reached(chances: pd.Series, level: float) -> float:
    """Week at which a weekly curve reaches a level, between its points; missing past its end."""
    curve = np.concatenate([[0.0], chances])
    if curve[-1] < level:
        return np.nan
    after = int(np.argmax(curve >= level))
    rise = curve[after] - curve[after - 1]
    return after - 1 + (level - curve[after - 1]) / rise


def forecast_of(
    rows: tuple[Row, ...], curve: pd.DataFrame, as_of: pd.Timestamp, horizon_weeks: int, engine: str
) -> ReadinessForecast:
    """Return the public tables of some rows, by athlete and in ladder order."""
    summary = rows_table(rows)
    warnings = pd.Series([words.for_coach(row).warnings for row in rows], dtype="str")
    return ReadinessForecast(
        summary=summary.assign(warnings=warnings), curve=curve, reasons=_reasons(rows), rows=rows,
        as_of=as_of, horizon_weeks=horizon_weeks, engine=engine,
    )  # fmt: skip


def states_table(rows: Sequence[Row]) -> pd.DataFrame:
    """Return the table of ``model.plateaus``: one line a row."""
    summary = rows_table(rows)
    kinds = dict.fromkeys(("since", "since_low", "since_high"), "datetime64[ns]")
    kinds |= {"weeks_flat": "float64", "smallest_gain": "float64", "reason": "str"}
    lines = [
        (v.since, v.since_low, v.since_high, v.weeks, v.least, words.for_coach(row).why)
        for row, v in ((row, row.verdict) for row in rows)
    ]
    verdicts = pd.DataFrame(lines, columns=list(kinds)).astype(kinds)
    gains = {f"gain_lately{end}": f"gain{end}" for end in ("", "_low", "_high")}
    return pd.concat([summary.rename(columns=gains), rounded(verdicts)], axis=1)[
        list(STATE_COLUMNS)
    ]


def _reasons(rows: Sequence[Row]) -> pd.DataFrame:
    lines = [
        (*row.key, one.kind, round(one.value, DIGITS), one.unit, words.reason(one, row))
        for row in rows
        for one in row.reasons
    ]
    kinds = dict.fromkeys(REASON_COLUMNS, "str") | {"value": "float64"}
    return pd.DataFrame(lines, columns=list(REASON_COLUMNS)).astype(kinds)
