"""Tables behind the charts of one athlete on one rung, made for all open rungs at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.growth import GrowthModel, Tracked, propagate, to_ratio
from forecast.histories import Histories
from forecast.readiness import LAST_SESSIONS, PAIN, LogView, ReadinessForecast
from forecast.report.advice import ON_HOLD
from forecast.report.seen import on_hold, seen
from forecast.report.words import UNITS, in_sessions, say_date, say_range, say_value
from forecast.types import Array

EIGHTY = float(norm.ppf(0.9))
LEAST_WEEKS, MOST_WEEKS = 4, 26
"""Weeks after the cut that a chart goes on: to where 9 in 10 have cleared, within these."""
FAN_KEYS = ["who", "athlete", "target", "counted"]
CEILING = 3.2
"""Times the target beyond which no level is drawn; it bounds the axis of a record gone wild."""


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
        kept = {part.name: getattr(self, part.name) for part in fields(self)}
        return OpenTables(**{name: f[test(f)].reset_index(drop=True) for name, f in kept.items()})


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
    forecast = seen(view, forecast)
    keys = forecast.summary
    growth, histories, tracked = view.growth, view.histories, view.tracked
    measures = {rung.key: rung.criterion.measure for rung in histories.ladder.rungs}
    spells = histories.spells.reset_index(names="spell_row")[["athlete", "rung", "spell_row"]]
    tried = keys.merge(spells, on=["athlete", "rung"], how="inner")
    tried = tried[tried["sessions"] > 0].reset_index(drop=True)
    tried = tried.assign(counted=tried["rung"].map(measures) == "reps")
    keep = tried[["spell_row", "who", "athlete", "target", "counted"]]
    level = _shown(level_by_session(growth, tracked, histories, keep), histories)
    ahead = _fan(view, tried)
    held = on_hold(keys)
    return OpenTables(
        sets=_sets(histories, tried),
        level=_in_whole(level),
        fan=_in_whole(_without(ahead, held)),
        marks=_marks(keys, histories, forecast.horizon_weeks, ahead),
        curve=_without(_curve(keys, forecast.curve), held),
        points=_without(_points(keys, forecast), held),
    )


def _without(frame: pd.DataFrame, held: list[str]) -> pd.DataFrame:
    """Take what lies ahead off the charts of rungs on hold; what was logged stays."""
    return frame[~frame["who"].isin(held)].reset_index(drop=True)


def _shown(level: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Bound the level by what was shown: the best set that counted in the last five sessions.

    The same bound as on the usual day of ``readiness.with_usual``, at every session.
    """
    best = histories.sessions.groupby("spell")["best"]
    shown = best.rolling(LAST_SESSIONS, min_periods=1).max().droplevel(0)
    level = level.merge(shown.rename("shown"), left_on="session_row", right_index=True, how="left")
    below = {name: level[name].clip(upper=level["shown"]) for name in ("low", "mid")}
    return level.assign(**below)


def _in_whole(frame: pd.DataFrame) -> pd.DataFrame:
    """Say repetitions whole, as a day shows them: steps, each up to the day of the next."""
    names = ["low", "mid", "high"]
    whole = frame[names].apply(lambda part: np.floor(part + 1e-9))
    counted = frame["counted"]
    steps = frame.assign(**{name: whole[name].where(counted, frame[name]) for name in names})
    held = steps.groupby("who")[names].shift()
    ends = steps.assign(**held.to_dict("series"))[counted & held["mid"].notna()]
    both = pd.concat([ends, steps]).sort_index(kind="stable")
    return both[["who", "athlete", "date", *names]].reset_index(drop=True)


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
    state = pd.DataFrame(
        {"mean": filtered.mean[:, 0], "var": filtered.cov[:, 0, 0]},
        index=tracked.panel.session_row,
    ).sort_index()
    sessions = histories.sessions[["spell", "date"]].join(state).reset_index(names="session_row")
    rows = sessions.merge(spells, left_on="spell", right_on="spell_row", how="inner")
    target = rows["target"].to_numpy()
    band = _in_unit(
        growth, target, rows["mean"].to_numpy(), rows["var"].to_numpy(), CEILING * target
    )
    return rows.drop(columns=["mean", "var", "spell"]).assign(**band)


def _fan(view: LogView, tried: pd.DataFrame) -> pd.DataFrame:
    """Carry the forecast's own state at the cut on, weekly, to the chart's edge."""
    growth, at_cut, as_of = view.growth, view.at_cut, view.histories.as_of
    spell_row = view.tracked.panel.spell_row[view.under_way]
    place = pd.Series(np.arange(len(spell_row)), index=spell_row)[tried["spell_row"]].to_numpy()
    mean, cov = np.empty((0, 3)), np.empty((0, 3, 3))
    if at_cut is not None:
        mean, cov = at_cut.mean[place], at_cut.cov[place]
    target, edge = tried["target"].to_numpy(), edge_weeks(tried).to_numpy()
    none = np.zeros(len(tried))
    frames = []
    for week in range(MOST_WEEKS + 1):
        then, spread = propagate(growth.fit.constants.dynamics, mean, cov, none + week, none)
        band = _in_unit(growth, target, then[:, 0], spread[:, 0, 0], CEILING * target)
        rows = tried[FAN_KEYS].assign(date=as_of + pd.Timedelta(weeks=week), **band)
        frames.append(rows[edge >= week])
    # What a usual day shows now is never more than was shown; see ``_shown``.
    now, most = frames[0], tried["usual"]
    frames[0] = now.assign(**{name: now[name].clip(upper=most) for name in ("low", "mid")})
    return pd.concat(frames, ignore_index=True)


def edge_weeks(keys: pd.DataFrame) -> pd.Series:
    """Return up to which week the charts of each rung go on."""
    return np.ceil(keys["weeks_high"]).fillna(MOST_WEEKS).clip(LEAST_WEEKS, MOST_WEEKS)


def _marks(
    keys: pd.DataFrame, histories: Histories, horizon: int, ahead: pd.DataFrame
) -> pd.DataFrame:
    rungs = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    as_of = histories.as_of
    at_mark = ahead[ahead["mid"] >= ahead["target"]].groupby("who")["date"].min()
    rows = []
    for key, weeks in zip(keys.itertuples(index=False), edge_weeks(keys), strict=True):
        criterion, held = rungs[key.rung], key.mark == PAIN
        edge = as_of + pd.Timedelta(weeks=weeks)
        shown = not held and pd.notna(key.date_low) and key.date_low <= edge
        half = not held and pd.notna(key.date_mid)
        rows.append(
            {
                "who": key.who,
                "athlete": key.athlete,
                "target": key.target,
                "unit": UNITS[criterion.measure],
                "as_of": as_of,
                "cleared_on": pd.NaT,
                "date_low": key.date_low if shown else pd.NaT,
                "date_mid": key.date_mid if half and key.date_mid <= edge else pd.NaT,
                "date_last": _last(key.date_high, edge) if shown else pd.NaT,
                "text_target": f"pass mark {say_value(key.target, criterion.measure)}"
                + in_sessions(criterion.confirm_sessions),
                "text_when": ON_HOLD if held else _when(key, as_of, horizon),
                "text_tie": ""
                if held or not key.sessions
                else _tie(key, at_mark.get(key.who), edge, criterion.confirm_sessions, as_of),
            }
        )
    return pd.DataFrame(rows, columns=MARK_COLUMNS)


def _when(key: Any, as_of: pd.Timestamp, horizon: int) -> str:
    if pd.isna(key.date_mid):
        mid = f"less than half within {horizon} weeks"
    else:
        wide = key.weeks_high - key.weeks_low
        mid = f"half by {say_date(key.date_mid, as_of, range_weeks=wide)}"
    return f"{mid}; 8 in 10 in {say_range(key.weeks_low, key.weeks_high, horizon)}"


def _tie(
    key: Any, at_mark: pd.Timestamp | None, edge: pd.Timestamp, confirm: int, as_of: pd.Timestamp
) -> str:
    """Say how the line and the dates go together: the one is a usual day, the other a rule."""
    wide = key.weeks_high - key.weeks_low
    end = say_date(edge, as_of, range_weeks=wide)
    line = (
        f"is at the mark by {say_date(at_mark, as_of, range_weeks=wide)}"
        if at_mark is not None and at_mark > as_of
        else "is at the mark already"
        if at_mark is not None
        else f"is not at the mark by {end}, where the chart ends"
    )
    takes = "one good day" if confirm == 1 else f"the mark{in_sessions(confirm)}"
    half = (
        f"half have cleared by {say_date(key.date_mid, as_of, range_weeks=wide)}"
        if pd.notna(key.date_mid)
        else "less than half have cleared within the weeks looked at"
    )
    return (
        f"The dotted line, a usual day without a break in training, {line}. Clearing takes "
        f"{takes}, and breaks cost time: {half}."
    )


MARK_COLUMNS = [
    "who", "athlete", "target", "unit", "as_of", "cleared_on", "date_low", "date_mid",
    "date_last", "text_target", "text_when", "text_tie",
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
