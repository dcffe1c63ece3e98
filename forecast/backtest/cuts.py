"""Cut dates drawn blind, and what came of each spell that was open at a cut."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import BacktestError
from forecast.histories import CLEARED, DEFAULT_LAPSE_WEEKS, Histories, build_histories
from forecast.log import TrainingLog, as_day

EARLIEST, LATEST = 0.4, 0.85
"""Part of the log's span that cuts are drawn from (judgement): early ones have little to learn
from, late ones little to be scored against."""


def draw_cuts(log: TrainingLog, n_cuts: int = 6, *, seed: int = 0) -> list[pd.Timestamp]:
    """Draw cut dates blind to what happened: one at random in each of ``n_cuts`` equal stretches.

    Parameters
    ----------
    log
        The whole log.
    n_cuts
        Number of dates, 1 or more.
    seed
        Seed of the draw.

    Returns
    -------
    list of Timestamp
        Midnights in rising order.

    Raises
    ------
    BacktestError
        If the log is empty or has fewer days than cuts, or no cut is asked for.
    """
    if n_cuts < 1:
        raise BacktestError(f"{n_cuts} cuts asked for; give one or more")
    _check_sets(log)
    first, last = log.sets["date"].min(), log.sets["date"].max()
    span = (last - first).days
    edges = np.linspace(EARLIEST * span, LATEST * span, n_cuts + 1)
    if (edges[1] - edges[0]) < 1:
        raise BacktestError(
            f"the log spans {span} days, too few for {n_cuts} cuts; ask for fewer cuts"
        )
    days = np.floor(np.random.default_rng(seed).uniform(edges[:-1], edges[1:])).astype(int)
    return [first + pd.Timedelta(days=int(day)) for day in days]


def given_cuts(log: TrainingLog, cuts: Iterable[object]) -> list[pd.Timestamp]:
    """Check cut dates given by hand and return them as midnights in rising order.

    Raises ``BacktestError`` if the log is empty, or one is not a date, or leaves nothing before it
    to learn from or after it to score.
    """
    _check_sets(log)
    first, last = log.sets["date"].min(), log.sets["date"].max()
    dates = set()
    for cut in cuts:
        day = as_day(cut, "cut", BacktestError)
        if not first < day <= last:
            raise BacktestError(
                f"cut {day.date()} lies outside the log, which runs from {first.date()} to "
                f"{last.date()}; choose a date in between"
            )
        dates.add(day)
    return sorted(dates)


def _check_sets(log: TrainingLog) -> None:
    if log.sets.empty:
        raise BacktestError("the log holds no usable set, so there is nothing to forecast from")


def open_at(histories: Histories) -> pd.DataFrame:
    """Return athlete and rung of each spell open at the cut, in order of athlete and rung."""
    keys = histories.open_spells[["athlete", "rung"]]
    return keys.sort_values(["athlete", "rung"]).reset_index(drop=True)


def lapse_weeks_of(model: Any | None) -> float:
    """Return the weeks of the model's own lapse rule; the usual ones where it has none."""
    own = {} if model is None else model.get_params()
    return float(own.get("lapse_weeks", DEFAULT_LAPSE_WEEKS))


def outcomes_after(
    log: TrainingLog,
    as_of: pd.Timestamp,
    open_spells: pd.DataFrame,
    lapse_weeks: float = DEFAULT_LAPSE_WEEKS,
) -> pd.DataFrame:
    """Say what came of each spell that was open at the cut, as the whole log tells it.

    Parameters
    ----------
    log
        The whole log, after the cut too.
    as_of
        The cut date.
    open_spells
        ``athlete`` and ``rung`` of the spells open at the cut, as known then.
    lapse_weeks
        Weeks of the model's lapse rule: a spell is followed no further than its last session
        where the silence at the end of the log has outlasted it.

    Returns
    -------
    DataFrame
        One row an open spell: ``as_of, athlete, rung, weeks, cleared, ended_by``. ``weeks`` is
        ``(cleared_on - as_of).days / 7``, or the weeks to the last day the athlete is known to
        have been at it: the end of the log, or the last session before a lapse or before the
        coach passed the rung over (``ended_by`` says which). It is negative where the athlete
        turns out to have stopped before the cut; such rows can't be scored.

    Raises
    ------
    BacktestError
        If a spell is not in the whole log.
    """
    whole = build_histories(log, lapse_weeks=lapse_weeks).spells
    known = open_spells[["athlete", "rung"]].merge(
        whole[["athlete", "rung", "outcome", "end", "cleared_on"]],
        on=["athlete", "rung"],
        how="left",
        validate="one_to_one",
    )
    if known["outcome"].isna().any():
        lost = known[known["outcome"].isna()].iloc[0]
        raise BacktestError(
            f"{lost['athlete']} on {lost['rung']} was open at {as_of.date()} but is not in the log"
        )
    return pd.DataFrame(
        {
            "as_of": as_of,
            "athlete": known["athlete"],
            "rung": known["rung"],
            "weeks": (known["end"] - as_of).dt.days / 7.0,
            "cleared": known["outcome"] == CLEARED,
            "ended_by": known["outcome"],
        }
    )
