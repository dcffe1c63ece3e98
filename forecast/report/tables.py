"""Tables behind the charts: of open rungs, and of the cohort."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forecast.charts import OpenTables, edge_weeks
from forecast.cohort import LapseIncidence, PaceAndDifficulty, TimeToClear
from forecast.growth import GrowthModel, Tracked, propagate, to_ratio
from forecast.histories import Histories
from forecast.ladder import Ladder
from forecast.plateau import EIGHTY
from forecast.readiness import LAST_SESSIONS, LogView, usual_value
from forecast.row import FLAT, FORM, HELP, NO_SUCCESS, PAIN, PAUSED, SLIPPING, Row
from forecast.types import Array
from forecast.words import captions

CEILING = 3.2
"""Times the target beyond which no level is drawn; it bounds the axis of a record gone wild."""
AT_RISK_STEPS = 6
"""Places on the axis of weeks where the numbers still watched are written."""
NO_LINE_AHEAD = (PAIN, PAUSED, FORM, HELP, NO_SUCCESS)
"""States in which no level is drawn from here on: nobody trains it, or nothing counts yet."""


def open_tables(view: LogView, rows: Sequence[Row]) -> OpenTables:
    """Return the tables of some open rungs."""
    growth, histories = view.growth, view.histories
    spells = histories.spells.reset_index(names="spell_row").set_index(["athlete", "rung"])
    tried = [row for row in rows if row.seen.sessions]
    keys = pd.DataFrame(
        [
            (row.who, row.rung.criterion.target, row.rung.criterion.measure == "reps",
             row.level.value, edge_weeks(row), row.state)
            for row in tried
        ],
        columns=["who", "target", "whole", "usual", "edge", "state"],
    ).assign(spell_row=[int(spells.at[row.key, "spell_row"]) for row in tried])  # fmt: skip
    level = level_by_session(growth, view.tracked, histories, keys)
    return OpenTables(
        sets=_sets(histories, keys),
        level=_in_whole(_shown(level, histories)),
        fan=_in_whole(_fan(view, keys)),
    )


def _shown(level: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Bound the level by the best set that counted in the last sessions, as the usual day is."""
    best = histories.sessions.groupby("spell")["best"]
    shown = best.rolling(LAST_SESSIONS, min_periods=1).max().droplevel(0)
    level = level.merge(shown.rename("shown"), left_on="session_row", right_index=True, how="left")
    return level.assign(**{name: level[name].clip(upper=level["shown"]) for name in ("low", "mid")})


def _in_whole(frame: pd.DataFrame) -> pd.DataFrame:
    """Tell repetitions whole, as the usual day is: steps, each up to the day of the next."""
    names = ["low", "mid", "high"]
    whole, target = frame["whole"].to_numpy(dtype=bool), frame["target"].to_numpy()
    steps = frame.assign(
        **{
            name: usual_value(
                np.log(np.maximum(frame[name].to_numpy(), 1e-9) / target), target, whole
            )
            for name in names
        }
    )
    before = steps.groupby("who")[names].shift()
    ends = steps.assign(**before.to_dict("series"))[whole & before["mid"].notna().to_numpy()]
    both = pd.concat([ends, steps]).sort_index(kind="stable").round(dict.fromkeys(names, 2))
    return both[["who", "date", *names]].reset_index(drop=True)


def _sets(histories: Histories, keys: pd.DataFrame) -> pd.DataFrame:
    sets = histories.sets.merge(
        keys[["spell_row", "who"]], left_on="spell", right_on="spell_row", how="inner"
    )
    stopped = sets["stopped"].isin(["target", "choice"])
    kind = np.select(
        [sets["assisted"] | ~sets["loaded"], ~sets["clean"], stopped],
        list(captions.KINDS[:0:-1]),
        default=captions.KINDS[0],
    )
    return sets.assign(kind=kind)[["who", "date", "value", "kind", "note"]]


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

    ``spells``: ``spell_row`` (row of ``histories.spells``), ``target``, and columns to keep.
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


def _fan(view: LogView, keys: pd.DataFrame) -> pd.DataFrame:
    """Carry the forecast's own state at the cut on, weekly, to the chart's edge.

    What is flat stays level, what slips does not rise: as the verdict says.
    """
    at_cut, as_of = view.at_cut, view.as_of
    keys = keys[~keys["state"].isin(NO_LINE_AHEAD)].reset_index(drop=True)
    if at_cut is None or keys.empty:
        return pd.DataFrame(columns=["who", "date", "target", "whole", "low", "mid", "high"])
    spell_row = view.under_way
    place = pd.Series(np.arange(len(spell_row)), index=spell_row)[keys["spell_row"]].to_numpy()
    mean, cov = at_cut.mean[place], at_cut.cov[place]
    target, none, now = keys["target"].to_numpy(), np.zeros(len(keys)), at_cut.mean[place, 0]
    flat, slips = ((keys["state"] == state).to_numpy() for state in (FLAT, SLIPPING))
    frames = []
    for week in range(int(keys["edge"].max()) + 1):
        dynamics = view.growth.fit.constants.dynamics
        then, spread = propagate(dynamics, mean, cov, none + week, none)
        level = np.where(flat, now, np.where(slips, np.minimum(then[:, 0], now), then[:, 0]))
        band = _in_unit(view.growth, target, level, spread[:, 0, 0], CEILING * target)
        rows = keys.assign(date=as_of + pd.Timedelta(weeks=week), **band)
        # what a usual day shows now is never more than was shown, and stays so where flat
        bounded = flat | slips | (week == 0)
        most = rows["usual"].where(bounded, np.inf)
        rows = rows.assign(**{name: rows[name].clip(upper=most) for name in ("low", "mid")})
        frames.append(rows[keys["edge"] >= week])
    return pd.concat(frames, ignore_index=True)


def clear_curves(result: TimeToClear) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the curves from week 0, and the numbers still watched at a few weeks."""
    frame = result.frame()
    frame["name"] = frame["group"].map(result.names)
    start = frame.drop_duplicates("name")[["name"]].assign(
        week=0.0, p_cleared=0.0, p_low=0.0, p_high=0.0
    )
    whole = pd.concat([start, frame[list(start)]], ignore_index=True)
    order = list(start["name"])
    curves = whole.sort_values("name", key=lambda names: names.map(order.index), kind="stable")
    grid = np.linspace(0.0, float(frame["week"].max()), AT_RISK_STEPS + 1)[:-1]
    at_risk = result.still_watched(grid.round(2))
    at_risk["name"] = at_risk["group"].map(result.names)
    return curves.reset_index(drop=True).round(4), at_risk[["name", "week", "n_at_risk"]]


def waits(result: TimeToClear) -> pd.DataFrame:
    """Return weeks by which a quarter, half and three quarters had cleared each rung."""
    counts = result.groups.set_index("group")
    rows = [
        {
            "rung_name": result.names[group],
            "quarter": curve.quantile(0.25),
            "half": curve.quantile(0.5),
            "three_quarters": curve.quantile(0.75),
            "spells": int(counts.loc[group, "n_spells"]),
            "cleared": int(counts.loc[group, "n_cleared"]),
        }
        for group, curve in result.curves.items()
    ]
    return pd.DataFrame(rows).replace(np.inf, np.nan)


def ends(result: LapseIncidence) -> pd.DataFrame:
    """Return the share of spells ended each way, week by week, with those still under way.

    ``result`` has one curve at least.
    """
    parts = []
    for group, curve in result.curves.items():
        weeks = np.arange(np.ceil(curve.start), np.floor(curve.end) + 1.0)
        shares = curve.at(weeks).rename(columns=captions.ENDS)
        shares[captions.ENDS["open"]] = 1.0 - shares.sum(axis=1)
        shares["week"] = weeks
        parts.append(shares.melt("week", var_name="what", value_name="share").assign(
            name=result.names[group]
        ))  # fmt: skip
    ended = pd.concat(parts, ignore_index=True)
    return ended[["name", "week", "what", "share"]].round(4)


def named_effects(result: PaceAndDifficulty, ladder: Ladder) -> pd.DataFrame:
    """Return the effects with the rungs' names instead of their keys."""
    frame = result.frame()
    is_rung = frame["kind"] == "rung"
    names = {rung.key: rung.name for rung in ladder.rungs}
    frame.loc[is_rung, "name"] = frame.loc[is_rung, "name"].map(names)
    return frame


def growth_table(view: LogView) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return level against weeks on the rung for every spell, and the pass marks.

    One point a week and spell: more cannot be seen apart on a chart.
    """
    histories = view.histories
    spells = histories.spells.reset_index(names="spell_row")
    rungs = [histories.ladder.rung(key) for key in spells["rung"]]
    spells["rung_name"] = [rung.name for rung in rungs]
    spells["target"] = [rung.criterion.target for rung in rungs]
    keep = ["spell_row", "athlete", "rung_name", "rung_index", "start", "target"]
    level = level_by_session(view.growth, view.tracked, histories, spells[keep])
    level["weeks"] = (level["date"] - level["start"]).dt.days // 7
    level = level.drop_duplicates(["spell_row", "weeks"], keep="last")
    level = level.sort_values(["rung_index", "athlete", "weeks"], kind="stable")
    level = level.reset_index(drop=True)
    targets = level[["rung_name", "target"]].drop_duplicates("rung_name").reset_index(drop=True)
    return level[["athlete", "rung_name", "weeks", "mid"]], targets
