"""The one mark of an open rung, from which every sentence, list and chart follows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories import PAIN as PAIN_NOTED
from forecast.histories import Histories
from forecast.ladder import Ladder

PAIN, AWAY, SLIPPING, FLAT, CLIMBING, UNCLEAR = (
    "pain", "away", "slipping", "flat", "climbing", "unclear",
)  # fmt: skip
"""Marks in their order: the first that holds decides."""
ORDER = {PAIN: 0, SLIPPING: 1, FLAT: 2, CLIMBING: 3, UNCLEAR: 3, AWAY: 4}
"""The most urgent first; who is away can't be helped on the floor this week."""
ON_HOLD = "on hold: pain is noted"
"""What stands in place of a date beside pain."""
LAST_SESSIONS = 5
KEYS = ["athlete", "rung"]


def marked(summary: pd.DataFrame, plateaus: pd.DataFrame) -> pd.DataFrame:
    """Return the summary with the ``mark`` of each row, as state and pain of plateaus decide.

    Pain is the athlete's: it holds rungs that are not open yet, too.
    """
    pain = plateaus.groupby("athlete")["pain"].max()
    hurts = (summary["athlete"].map(pain) >= PAIN_NOTED).to_numpy()
    states = plateaus.set_index(KEYS)["state"]
    state = (
        states.reindex(pd.MultiIndex.from_frame(summary[KEYS]))
        .replace("paused", AWAY)
        .fillna(UNCLEAR)
        .to_numpy()
    )
    return summary.assign(mark=pd.Series(np.where(hurts, PAIN, state), index=summary.index))


def most_urgent_first(marked: pd.DataFrame, plateaus: pd.DataFrame) -> pd.DataFrame:
    """Return marked rows by ``ORDER``, with ``weeks_flat`` and ``wait_weeks`` beside them.

    Who is stuck stands by how long, longest first, who is away shortest first, all others by who
    clears soonest.
    """
    names = ["weeks_flat", "wait_weeks"]
    rows = marked.merge(plateaus[[*KEYS, *names]], on=KEYS, how="left")
    away, stuck = (rows["mark"] == AWAY), rows["mark"].isin([SLIPPING, FLAT])
    within = rows["weeks_mid"].mask(stuck, -rows["weeks_flat"]).mask(away, rows["wait_weeks"])
    order = rows.assign(place=rows["mark"].map(ORDER), within=within)
    order = order.sort_values(
        ["place", "within", "weeks_low", "athlete"], na_position="last", kind="stable"
    )
    return order[rows.columns].reset_index(drop=True)


def with_usual(summary: pd.DataFrame, histories: Histories, ladder: Ladder) -> pd.DataFrame:
    """Return the summary with ``usual``: what a usual day shows, in the rung's unit.

    The level, in whole repetitions where they are counted (n repetitions are noted from the n-th
    to just before the next), and never more than the best set that counted in the last five
    sessions. Missing where the rung has sessions but none of the last five a set that counted.
    """
    spells = histories.spells.reset_index(names="spell")[[*KEYS, "spell"]]
    latest = histories.sessions.groupby("spell").tail(LAST_SESSIONS)
    best = latest.groupby("spell")["best"].max()
    shown = summary[KEYS].merge(spells, on=KEYS, how="left")["spell"].map(best).to_numpy(float)
    begun = (summary["sessions"] > 0).to_numpy()
    usual = summary["level_value"].to_numpy(dtype=float)
    usual = np.where(begun, np.where(np.isnan(shown), np.nan, np.minimum(usual, shown)), usual)
    counted = [ladder.rung(key).criterion.measure == "reps" for key in summary["rung"]]
    return summary.assign(usual=np.where(counted, np.floor(usual + 1e-9), usual))
