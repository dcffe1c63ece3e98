"""Tables behind the charts of the cohort."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.cohort import LapseIncidence, PaceAndDifficulty, TimeToClear
from forecast.ladder import Ladder
from forecast.readiness import LogView
from forecast.report.tables import level_by_session

AT_RISK_STEPS = 6
KIND_OF_END = {
    "cleared": "cleared",
    "lapsed": "stopped logging",
    "passed_over": "moved on without clearing",
}
STILL = "still on it"


def rung_names(ladder: Ladder) -> dict[str, str]:
    """Return names by key."""
    return {rung.key: rung.name for rung in ladder.rungs}


def clear_curves(result: TimeToClear) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the curves from week 0, and the numbers still watched at a few weeks.

    Parameters
    ----------
    result
        From ``cohort.time_to_clear``, with one curve at least.

    Returns
    -------
    curves, at_risk
        Tables as ``charts.time_to_clear`` wants them.
    """
    frame = result.frame()
    frame["name"] = frame["group"].map(result.names)
    start = frame.drop_duplicates("name")[["name"]].assign(
        week=0.0, p_cleared=0.0, p_low=0.0, p_high=0.0
    )
    columns = ["name", "week", "p_cleared", "p_low", "p_high"]
    whole = pd.concat([start, frame[columns]], ignore_index=True)
    order = {name: i for i, name in enumerate(start["name"])}
    place = whole["name"].map(order)
    curves = whole.assign(place=place).sort_values(["place", "week"], kind="stable")
    grid = np.linspace(0.0, float(frame["week"].max()), AT_RISK_STEPS + 1)[:-1]
    at_risk = result.still_watched(grid.round(2))
    at_risk["name"] = at_risk["group"].map(result.names)
    return (
        curves[columns].reset_index(drop=True).round(4),
        at_risk[["name", "week", "n_at_risk"]],
    )


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
        shares = curve.at(weeks).rename(columns=KIND_OF_END)
        shares[STILL] = 1.0 - shares.sum(axis=1)
        shares["week"] = weeks
        parts.append(shares.melt("week", var_name="what", value_name="share").assign(
            name=result.names[group]
        ))  # fmt: skip
    ended = pd.concat(parts, ignore_index=True)
    return ended[["name", "week", "what", "share"]].round(4)


def named_effects(result: PaceAndDifficulty, names: dict[str, str]) -> pd.DataFrame:
    """Return the effects with the rungs' names instead of their keys."""
    frame = result.frame()
    is_rung = frame["kind"] == "rung"
    frame.loc[is_rung, "name"] = frame.loc[is_rung, "name"].map(names)
    return frame


def growth_table(view: LogView) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return level against weeks on the rung for every spell, and the pass marks.

    One point a week and spell: more can't be told apart on a chart.
    """
    histories = view.histories
    rungs = {rung.key: rung for rung in histories.ladder.rungs}
    spells = histories.spells.reset_index(names="spell_row")
    spells["rung_name"] = spells["rung"].map({key: rung.name for key, rung in rungs.items()})
    spells["target"] = spells["rung"].map({k: r.criterion.target for k, r in rungs.items()})
    keep = ["spell_row", "athlete", "rung_name", "rung_index", "start", "target"]
    level = level_by_session(view.growth, view.tracked, histories, spells[keep])
    level["weeks"] = (level["date"] - level["start"]).dt.days // 7
    level = level.drop_duplicates(["spell_row", "weeks"], keep="last")
    level = level.sort_values(["rung_index", "athlete", "weeks"], kind="stable")
    targets = level[["rung_name", "target"]].drop_duplicates("rung_name")
    return (
        level[["athlete", "rung_name", "weeks", "mid"]].reset_index(drop=True),
        targets.reset_index(drop=True),
    )
