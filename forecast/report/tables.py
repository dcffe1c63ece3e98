"""Tables behind the charts of one athlete on one rung, made for all open rungs at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.growth import GrowthModel, Tracked, propagate, to_ratio
from forecast.histories import Histories
from forecast.readiness import LogView, ReadinessForecast
from forecast.report.words import UNITS, in_sessions, say_date, say_range, say_value
from forecast.types import Array

EIGHTY = float(norm.ppf(0.9))
FAN_WEEKS = 26
CEILING = 1.6
"""Times the target beyond which the fan is not drawn: the rung is cleared long before."""


@dataclass(frozen=True, slots=True)
class OpenTables:
    """What the charts of progress and of chances need, keyed by ``who`` (athlete and rung).

    Attributes
    ----------
    sets
        ``who, athlete, date, value, kind, note``.
    level, fan
        ``who, athlete, date, low, mid, high``: level in the rung's unit with its 80 % band, at
        each session and after the cut.
    marks
        One row a ``who``; see ``charts.progress``.
    curve
        ``who, athlete, week, p_cleared``.
    points
        ``who, athlete, share, week, text, low, high``; see ``charts.chance_by_week``.
    """

    sets: pd.DataFrame
    level: pd.DataFrame
    fan: pd.DataFrame
    marks: pd.DataFrame
    curve: pd.DataFrame
    points: pd.DataFrame

    def only(self, column: str, value: str) -> OpenTables:
        """Return the rows where ``column`` (``who`` or ``athlete``) has this value."""
        return self._where(lambda frame: frame[column] == value)

    def _where(self, test: Callable[[pd.DataFrame], pd.Series]) -> OpenTables:
        names = ("sets", "level", "fan", "marks", "curve", "points")
        kept = {name: getattr(self, name) for name in names}
        return replace(
            self, **{name: f[test(f)].reset_index(drop=True) for name, f in kept.items()}
        )


def who_label(athlete: pd.Series, rung_name: pd.Series) -> pd.Series:
    """Return the label by which rows of the tables belong together."""
    return athlete + " \u00b7 " + rung_name


def open_tables(view: LogView, forecast: ReadinessForecast | None = None) -> OpenTables:
    """Return the tables for every row of the forecast.

    Parameters
    ----------
    view
        The log as a fitted forecaster sees it.
    forecast
        The forecast, of the same log and cut; that of the view where left out.

    Raises
    ------
    HistoryError, ForecastError
        See ``readiness.LogView.histories``.
    """
    forecast = view.forecast() if forecast is None else forecast
    keys = forecast.summary.assign(
        who=who_label(forecast.summary["athlete"], forecast.summary["rung_name"])
    )
    growth, histories, tracked = view.growth, view.histories, view.tracked
    spells = histories.spells.reset_index(names="spell_row")[["athlete", "rung", "spell_row"]]
    tried = keys.merge(spells, on=["athlete", "rung"], how="inner")
    tried = tried[tried["sessions"] > 0].reset_index(drop=True)
    keep = tried[["spell_row", "who", "athlete", "target"]]
    level = level_by_session(growth, tracked, histories, keep)
    fan = _fan(growth, tracked, histories, tried)
    return OpenTables(
        sets=_sets(histories, tried),
        level=level[["who", "athlete", "date", "low", "mid", "high"]],
        fan=fan,
        marks=_marks(keys, histories, forecast.horizon_weeks),
        curve=_curve(keys, forecast.curve),
        points=_points(keys, forecast),
    )


def _sets(histories: Histories, tried: pd.DataFrame) -> pd.DataFrame:
    sets = histories.sets.merge(
        tried[["spell_row", "who"]], left_on="spell", right_on="spell_row", how="inner"
    )
    stopped = sets["stopped"].isin(["target", "choice"])
    kind = np.select(
        [sets["assisted"] | ~sets["loaded"], ~sets["clean"], stopped],
        ["with help", "not clean", "clean, stopped on purpose"],
        default="clean",
    )
    return sets.assign(kind=kind)[["who", "athlete", "date", "value", "kind", "note"]]


def _in_unit(
    growth: GrowthModel, target: Array, mean: Array, var: Array, top: Array
) -> dict[str, Array]:
    """Level with its 80 % band in the rung's unit, cut at ``top``."""
    half = EIGHTY * np.sqrt(np.maximum(var, 0.0))
    edges: dict[str, Array] = {"low": mean - half, "mid": mean, "high": mean + half}
    return {
        name: np.asarray(
            np.round(np.minimum(target * to_ratio(edge, growth.linear), top), 2), float
        )
        for name, edge in edges.items()
    }


def level_by_session(
    growth: GrowthModel, tracked: Tracked, histories: Histories, spells: pd.DataFrame
) -> pd.DataFrame:
    """Return the level after each session in the rung's unit, with its 80 % band.

    Parameters
    ----------
    growth, tracked, histories
        The engine, and the log seen through it.
    spells
        ``spell_row`` (row of ``histories.spells``) and ``target``, with any columns to keep.
    """
    filtered = tracked.filtered
    seen = pd.DataFrame(
        {"mean": filtered.mean[:, 0], "var": filtered.cov[:, 0, 0]},
        index=tracked.panel.session_row,
    ).sort_index()
    sessions = histories.sessions[["spell", "date"]].join(seen)
    rows = sessions.merge(spells, left_on="spell", right_on="spell_row", how="inner")
    target = rows["target"].to_numpy()
    band = _in_unit(
        growth, target, rows["mean"].to_numpy(), rows["var"].to_numpy(), 2.0 * CEILING * target
    )
    return rows.drop(columns=["mean", "var", "spell"]).assign(**band)


def _fan(
    growth: GrowthModel, tracked: Tracked, histories: Histories, tried: pd.DataFrame
) -> pd.DataFrame:
    """Carry the state after the last session on to the cut, and weekly beyond it."""
    panel, filtered = tracked.panel, tracked.filtered
    place = pd.Series(np.arange(panel.n_spells), index=panel.spell_row)
    spell = place.reindex(tried["spell_row"]).to_numpy(dtype=np.int64)
    last = panel.last[spell]
    wait = (histories.as_of - histories.spells["last_session"].iloc[tried["spell_row"]]).dt.days
    wait_weeks = wait.to_numpy() / 7.0
    trained = np.minimum(wait_weeks, panel.grace[spell])
    frames = []
    for week in range(FAN_WEEKS + 1):
        mean, cov = propagate(
            growth.fit.constants.dynamics,
            filtered.mean[last],
            filtered.cov[last],
            trained + week,
            wait_weeks - trained,
        )
        target = tried["target"].to_numpy()
        band = _in_unit(growth, target, mean[:, 0], cov[:, 0, 0], CEILING * target)
        day = histories.as_of + pd.Timedelta(weeks=week)
        frames.append(tried[["who", "athlete", "target"]].assign(date=day, **band))
    fan = pd.concat(frames, ignore_index=True)
    # Past a level well above the mark the rung is cleared, and the fan says nothing any more.
    near = fan["mid"].to_numpy() <= 1.2 * fan["target"].to_numpy()
    first_weeks = fan["date"] <= histories.as_of + pd.Timedelta(weeks=4)
    return fan[near | first_weeks].drop(columns="target").reset_index(drop=True)


def _marks(keys: pd.DataFrame, histories: Histories, horizon: int) -> pd.DataFrame:
    rungs = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    as_of = histories.as_of
    edge = as_of + pd.Timedelta(weeks=FAN_WEEKS)
    rows = []
    for key in keys.itertuples(index=False):
        criterion = rungs[key.rung]
        wide = key.weeks_high - key.weeks_low
        mid = (
            f"half by {say_date(key.date_mid, as_of, range_weeks=wide)}"
            if pd.notna(key.weeks_mid)
            else f"less than half within {horizon} weeks"
        )
        shown = pd.notna(key.date_low) and key.date_low <= edge
        rows.append(
            {
                "who": key.who,
                "athlete": key.athlete,
                "target": key.target,
                "unit": UNITS[criterion.measure],
                "as_of": as_of,
                "cleared_on": pd.NaT,
                "date_low": key.date_low if shown else pd.NaT,
                "date_mid": key.date_mid
                if pd.notna(key.date_mid) and key.date_mid <= edge
                else pd.NaT,
                "date_last": _last(key.date_high, edge) if shown else pd.NaT,
                "text_target": f"pass mark {say_value(key.target, criterion.measure)}"
                + in_sessions(criterion.confirm_sessions),
                "text_when": f"{mid}; 8 in 10 in "
                + say_range(key.weeks_low, key.weeks_high, horizon),
            }
        )
    return pd.DataFrame(rows, columns=MARK_COLUMNS)


MARK_COLUMNS = [
    "who", "athlete", "target", "unit", "as_of", "cleared_on", "date_low", "date_mid",
    "date_last", "text_target", "text_when",
]  # fmt: skip


def _last(date_high: pd.Timestamp, edge: pd.Timestamp) -> pd.Timestamp:
    return edge if pd.isna(date_high) else min(date_high, edge)


def _curve(keys: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """Put who beside the curve, and the chance of 0 at the cut in front of it."""
    start = keys[["athlete", "rung"]].assign(week=0, p_cleared=0.0)
    whole = pd.concat([start, curve], ignore_index=True)
    whole = whole.merge(keys[["athlete", "rung", "who"]], on=["athlete", "rung"])
    return whole.sort_values(["who", "week"], kind="stable", ignore_index=True)[
        ["who", "athlete", "week", "p_cleared"]
    ]


POINTS = {0.1: "low", 0.5: "mid", 0.9: "high"}
SAID = {0.1: "1 in 10 by", 0.5: "half by", 0.9: "9 in 10 by"}


def _points(keys: pd.DataFrame, forecast: ReadinessForecast) -> pd.DataFrame:
    frames = []
    width = keys["weeks_high"] - keys["weeks_low"]
    for share, name in POINTS.items():
        days = keys[f"date_{name}"]
        text = [
            f"{SAID[share]} {say_date(day, forecast.as_of, range_weeks=wide)}"
            if pd.notna(day)
            else f"{SAID[share]} later than {forecast.horizon_weeks} weeks"
            for day, wide in zip(days, width, strict=True)
        ]
        frames.append(
            keys[["who", "athlete"]].assign(
                share=share,
                week=keys[f"weeks_{name}"],
                text=text,
                low=keys["weeks_low"].fillna(forecast.horizon_weeks),
                high=keys["weeks_high"].fillna(forecast.horizon_weeks),
            )
        )
    return pd.concat(frames, ignore_index=True)
