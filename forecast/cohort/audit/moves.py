"""Moves from a cleared rung to the next: with what margin, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories import CLEARED, LAPSED, Histories

WINDOW = 3
"""The margin is the mean over this many latest sessions: one lucky set says little."""
SHORTEST_WEEKS = 0.5 / 7.0
"""Half a day: a rung cleared in its first session took less than that."""


@dataclass(frozen=True, slots=True)
class Moves:
    """Moves of all athletes along the ladder.

    Attributes
    ----------
    table
        One row a move: ``athlete, athlete_id, rung, next_rung, moved_on`` (first session on the
        next rung), ``margin`` (mean log of best clean value over target in the last sessions up
        to then), ``margin_var`` (variance of its error, from the scatter of sessions),
        ``confirming`` (sessions that met the criterion up to then), ``weeks_lower``,
        ``weeks_upper`` on the next rung, ``weeks_seen``, ``cleared``, ``lapsed``, ``earlier``
        (the athlete's usual log weeks against the cohort's, from rungs cleared before).
    no_margin
        Moves left out because the last sessions were stopped at the target: the margin is then
        unknown, not zero.
    """

    table: pd.DataFrame
    no_margin: int


def find_moves(histories: Histories) -> Moves:
    """Return every move from a cleared rung to a rung that needs it, with its margin."""
    moves = all_moves(histories)
    margins = _margins(histories, moves)
    table = pd.concat([_weeks(moves), margins], axis=1)
    table["earlier"] = _earlier_pace(histories, moves)
    known = table["margin"].notna()
    return Moves(table[known].reset_index(drop=True), int((~known).sum()))


def needed_steps(histories: Histories) -> list[tuple[str, str]]:
    """Return pairs of a rung and one that needs it, in ladder order of the latter."""
    return [(need, rung.key) for rung in histories.ladder.rungs for need in rung.needs]


def all_moves(histories: Histories) -> pd.DataFrame:
    """Return moves from a cleared rung to one that needs it and was begun since.

    Columns: ``athlete, athlete_id, rung, next_rung, cleared_on, moved_on``, and of the next
    rung's spell ``end, weeks, clear_lower, outcome``.
    """
    spells = histories.spells
    done = spells.loc[spells["outcome"] == CLEARED, ["athlete", "athlete_id", "rung", "cleared_on"]]
    after = spells.rename(columns={"rung": "next_rung", "start": "moved_on"})[
        ["athlete", "next_rung", "moved_on", "end", "weeks", "clear_lower", "outcome", "under_way"]
    ]
    steps = pd.DataFrame(needed_steps(histories), columns=["rung", "next_rung"])
    moves = done.merge(steps, on="rung").merge(after, on=["athlete", "next_rung"])
    moves = moves[(moves["moved_on"] >= moves["cleared_on"]) & ~moves["under_way"]]
    moves = moves.sort_values(["athlete_id", "moved_on", "rung", "next_rung"])
    return moves.drop(columns="under_way").reset_index(drop=True)


def _weeks(moves: pd.DataFrame) -> pd.DataFrame:
    """Bounds of the weeks on the next rung: between two sessions, or more than was seen."""
    cleared = moves["outcome"] == CLEARED
    seen = np.maximum(moves["weeks"], SHORTEST_WEEKS)
    lower = moves["clear_lower"].where(cleared & moves["clear_lower"].notna(), 0.0)
    table = moves[["athlete", "athlete_id", "rung", "next_rung", "moved_on"]].copy()
    table["weeks_lower"] = np.where(cleared, lower, seen)
    table["weeks_upper"] = np.where(cleared, seen, np.inf)
    table["weeks_seen"] = seen
    table["cleared"] = cleared
    table["lapsed"] = moves["outcome"] == LAPSED
    return table


def rung_days(histories: Histories) -> pd.DataFrame:
    """Return one row an athlete, rung and day, after clearing too.

    Columns: ``athlete, rung, date, best`` (highest counting value over target, missing where
    none counted), ``meets`` and ``held_back`` (the best set was stopped at the target).
    """
    columns = ["athlete", "rung", "date", "value", "target", "counts", "stopped"]
    sets = pd.concat([histories.sets[columns], histories.after_clearing[columns]])
    ratio = (sets["value"] / sets["target"]).where(sets["counts"])
    keys = ["athlete", "rung", "date"]
    best = ratio.groupby([sets[key] for key in keys]).transform("max")
    top = ratio.notna() & (ratio >= best - 1e-9)
    frame = sets.assign(best=ratio, top_stop=top & (sets["stopped"] == "target"), top=top)
    days = frame.groupby(keys, sort=True).agg(
        best=("best", "max"), stops=("top_stop", "sum"), tops=("top", "sum")
    )
    days["meets"] = days["best"] >= 1 - 1e-9
    # Held back only where every set at the top was stopped on purpose.
    days["held_back"] = (days["tops"] > 0) & (days["stops"] == days["tops"])
    return days.reset_index()[[*keys, "best", "meets", "held_back"]]


def _margins(histories: Histories, moves: pd.DataFrame) -> pd.DataFrame:
    """Margin and confirming sessions up to each move, in the order of ``moves``."""
    days = rung_days(histories)
    wanted = moves[["athlete", "rung", "moved_on"]].reset_index(names="move")
    joined = wanted.merge(days, on=["athlete", "rung"])
    joined = joined[joined["date"] <= joined["moved_on"]].sort_values(["move", "date"])
    confirming = joined.groupby("move")["meets"].sum()
    free = joined[~joined["held_back"] & (joined["best"] > 0)].groupby("move").tail(WINDOW)
    logs = pd.Series(np.log(free["best"]), index=free.index)
    margin = logs.groupby(free["move"]).mean()
    count = logs.groupby(free["move"]).size()
    # One scatter of a session for all: three sessions are too few for a scatter of one's own.
    within = ((logs - free["move"].map(margin)) ** 2).sum() / max(float((count - 1).sum()), 1.0)
    # Held back in each of the latest sessions: what was left unused is unknown.
    latest = joined.groupby("move").tail(WINDOW)
    hidden = latest["held_back"].groupby(latest["move"]).mean() > 0.5
    margin = margin.where(~hidden.reindex(margin.index, fill_value=False))
    order = moves.index
    return pd.DataFrame(
        {
            "margin": margin.reindex(order),
            "margin_var": (within / count).reindex(order),
            "confirming": confirming.reindex(order),
        },
        index=order,
    )


def _earlier_pace(histories: Histories, moves: pd.DataFrame) -> np.ndarray:
    """Mean log weeks against the rung's middle over rungs cleared by then, shrunk to 0."""
    spells = histories.spells
    used = spells[(spells["outcome"] == CLEARED) & ~spells["under_way"]]
    log_weeks = (used["weeks"].clip(lower=SHORTEST_WEEKS) + 0.5).map(np.log)
    against = log_weeks - log_weeks.groupby(used["rung"]).transform("median")
    known = used[["athlete", "cleared_on"]].assign(against=against)
    joined = moves[["athlete", "moved_on"]].reset_index(names="move").merge(known, on="athlete")
    joined = joined[joined["cleared_on"] <= joined["moved_on"]]
    total = joined.groupby("move")["against"].agg(["sum", "size"])
    shrunk = total["sum"] / (total["size"] + 0.5)
    return shrunk.reindex(moves.index, fill_value=0.0).to_numpy()
