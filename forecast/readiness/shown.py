"""What an open spell's own record shows: its usual day, rate of training, and sessions that met."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.growth import GrowthModel, Tracked, chance_met, rounding_units
from forecast.histories import Histories
from forecast.types import Array, Ints

RECENT_SESSIONS = 8
MET_SESSIONS, MET_WEEKS = 30, 12.0
"""The latest sessions whose meetings are counted: so many, no older than so many weeks."""
BREAK_DAYS, BREAK_GAPS = 14.0, 3.0
"""A gap longer than this, and than so many of the spell's median gaps, is a break."""
SURPRISING = 2.0
"""Meetings beside what was expected are worth a word past so many standard deviations, and past
one session."""


def usual_value(level: Array, target: Array, whole: NDArray[np.bool_]) -> Array:
    """Return the value that a usual day shows in units as they are written down.

    Parameters
    ----------
    level, target
        Level as log(capacity / target), and the pass mark.
    whole
        Whether values are whole repetitions: a capacity of 7.6 is written down as 7, half a
        repetition less on average than the capacity.
    """
    capacity = target * np.exp(level)
    return np.asarray(np.where(whole, np.maximum(capacity - 0.5, 0.0), capacity))


def highest_shown(histories: Histories, spell: Ints, units: dict[str, float]) -> Array:
    """Return the most that each spell (T,) has shown, rounding allowed for.

    The best clean, unassisted, sufficiently loaded set, and half a rounding unit; a count of
    repetitions as it stands. Where no set counted: the best of all sets. Only misses: nothing.
    ``units`` are those of the growth engine.
    """
    sets = histories.sets[histories.sets["spell"].isin(spell)]
    measure = {rung.key: rung.criterion.measure for rung in histories.ladder.rungs}
    unit = rounding_units(sets, histories.ladder, units)
    whole = (sets["rung"].map(measure) == "reps").to_numpy()
    upper = sets["value"] + np.where(whole | (sets["value"] <= 0).to_numpy(), 0.0, unit / 2.0)
    best = upper.where(sets["counts"]).groupby(sets["spell"]).max()
    best = best.fillna(upper.groupby(sets["spell"]).max())
    return best.reindex(spell).to_numpy(dtype=float)


def training_lately(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Return ``rate`` (sessions a week), ``clean_share`` and ``break_days`` by spell.

    All from the latest sessions. A break, and the wait since the last session, are no part of
    the rate: it is that of the training before and after; ``break_days`` is the longest break
    among them, 0 for none.
    """
    sessions = histories.sessions[histories.sessions["spell"].isin(spell)]
    gap = sessions.groupby("spell")["date"].diff().dt.days.astype(float)
    usual = gap.groupby(sessions["spell"]).median().reindex(sessions["spell"]).to_numpy()
    broken = gap > np.fmax(BREAK_DAYS, BREAK_GAPS * usual)
    latest = (
        sessions.assign(
            gap=gap.where(~broken),
            broken=gap.where(broken),
        )
        .groupby("spell")
        .tail(RECENT_SESSIONS)
    )
    by_spell = latest.groupby("spell").agg(
        gaps=("gap", "count"),
        days=("gap", "sum"),
        broken=("broken", "max"),
        last=("date", "max"),
        sets=("n_sets", "sum"),
        counting=("n_counting", "sum"),
    )
    by_spell = by_spell.reindex(spell)
    alone = 1.0 / np.maximum((histories.as_of - by_spell["last"]).dt.days / 7.0, 1.0)
    rate = 7.0 * by_spell["gaps"] / by_spell["days"].where(by_spell["gaps"] > 0)
    return pd.DataFrame(
        {
            "rate": rate.fillna(alone).to_numpy(),
            "clean_share": (by_spell["counting"] / by_spell["sets"]).to_numpy(),
            "break_days": by_spell["broken"].fillna(0.0).to_numpy(),
        }
    )


def meetings(
    histories: Histories, model: GrowthModel, tracked: Tracked, which: Ints, as_of_day: int
) -> pd.DataFrame:
    """Return how many of the latest sessions met, and how many the model would have expected.

    Of spells ``which`` (T,) in the panel: ``met_of`` sessions looked at, ``met_lately`` of them
    met, ``met_expected`` the sum of their chances, each from the sessions before it, and ``met_sd``
    its standard deviation.
    """
    panel = tracked.panel
    number = np.minimum(panel.length[which], MET_SESSIONS)
    row = np.repeat(np.arange(len(which)), number)
    back = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
    at = panel.last[which][row] - back
    recent = panel.day[at] >= as_of_day - 7.0 * MET_WEEKS
    at, row = at[recent], row[recent]
    met = histories.sessions["meets"].to_numpy(dtype=float)[at]
    chance = chance_met(model, tracked, at)

    def total(values: Array) -> Array:
        return np.asarray(np.bincount(row, values, len(which)), dtype=float)

    return pd.DataFrame(
        {
            "met_of": total(np.ones(len(at))).astype(np.int64),
            "met_lately": total(met).astype(np.int64),
            "met_expected": total(chance),
            "met_sd": np.sqrt(total(chance * (1.0 - chance))),
        }
    )


def nothing_counts(histories: Histories, spell: Ints) -> list[str]:
    """Return a sentence for each spell in which no set counted or all missed; else empty."""
    sets = histories.sets[histories.sets["spell"].isin(spell)]
    by_spell = sets.groupby("spell").agg(
        n=("value", "size"),
        counting=("counts", "sum"),
        helped=("assisted", "sum"),
        clean=("clean", "sum"),
        most=("value", "max"),
    )
    return [_sentence(row) for row in by_spell.reindex(spell).itertuples(index=False)]


def _sentence(row: tuple) -> str:
    n, counting, helped, clean, most = row
    every = f"all {n} sets" if n > 1 else "the only set"
    if most <= 0:
        return f"{every} missed: nothing to measure yet"
    if counting > 0:
        return ""
    if helped == n:
        return f"{every} with help: no clean, unassisted set yet"
    if clean == 0:
        return f"{every} unclean: no clean set yet"
    return f"none of {n} sets was clean, unassisted and loaded as asked"
