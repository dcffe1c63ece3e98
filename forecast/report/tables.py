"""Tables behind the charts of one athlete on one rung, made for all open rungs at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.growth import GrowthModel, Tracked, propagate, to_ratio
from forecast.histories import Histories
from forecast.readiness import LAST_SESSIONS, LogView, ReadinessForecast
from forecast.report.marks import MOST_WEEKS, edge_weeks, marks_table, points_table
from forecast.report.seen import on_hold, seen
from forecast.types import Array

EIGHTY = float(norm.ppf(0.9))
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

    def split(self, column: str) -> Mapping[str, OpenTables]:
        """Return the rows of each value of ``column`` (``who`` or ``athlete``); of another, none.

        Once for all of them: picking them out one by one takes ten times as long.
        """
        frames = {part.name: getattr(self, part.name) for part in fields(self)}
        places = {name: frame.groupby(column).indices for name, frame in frames.items()}
        none = OpenTables(**{name: frame.iloc[:0] for name, frame in frames.items()})
        found = defaultdict(lambda: none)
        for value in set().union(*places.values()):
            found[value] = OpenTables(
                **{
                    name: frame.iloc[places[name].get(value, [])].reset_index(drop=True)
                    for name, frame in frames.items()
                }
            )
        return found


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
        marks=marks_table(keys, histories, forecast.horizon_weeks, ahead),
        curve=_without(_curve(keys, forecast.curve), held),
        points=_without(points_table(keys, forecast), held),
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
    state = pd.DataFrame({"mean": filtered.mean[:, 0], "var": filtered.cov[:, 0, 0]})
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
    spell_row = view.under_way
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


def _curve(keys: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """Put who beside the curve, and the chance of 0 at the cut in front of it."""
    start = keys[["athlete", "rung"]].assign(week=0, p_cleared=0.0)
    whole = pd.concat([start, curve], ignore_index=True)
    whole = whole.merge(keys[["athlete", "rung", "who"]], on=["athlete", "rung"])
    return whole.sort_values(["who", "week"], kind="stable", ignore_index=True)[
        ["who", "athlete", "week", "p_cleared"]
    ]
