"""Plain facts of each open rung at the cut, one row an open (athlete, rung)."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.growth import (
    GrowthForecast,
    GrowthModel,
    Tracked,
    chance_met,
    gain_ahead,
    level_and_gain,
    pace_effects,
    to_log,
)
from forecast.histories import Histories, recent_pain
from forecast.plateau import MIN_SESSIONS, MIN_WEEKS
from forecast.types import Array, Ints

LAST_SESSIONS = 5
"""What a usual day shows is never more than the best set that counted in so many sessions."""
RECENT_SESSIONS = 8
MET_SESSIONS, MET_WEEKS = 30, 12.0
"""The latest sessions whose meetings are counted: so many, no older than so many weeks."""
BREAK_DAYS, BREAK_GAPS = 14.0, 3.0
"""A gap longer than this, and than so many of the spell's median gaps, is a break."""
PAUSE_WEEKS, PAUSE_GAPS = 3.0, 3.0
"""No session for longer than this, and than so many of the spell's median gaps, is a pause."""


def comparable_counts(histories: Histories) -> dict[str, int]:
    """Cleared spells by rung in the log a model was fitted on."""
    cleared = histories.spells[histories.spells["cleared_on"].notna()]
    counts = cleared["rung"].value_counts()
    return {key: int(counts.get(key, 0)) for key in histories.ladder.keys}


def open_facts(
    histories: Histories,
    tracked: Tracked,
    which: Ints,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return one row of facts for each spell under way.

    ``which`` (T,) are their places in the panel, ``forecast`` is the engine's of them;
    ``comparable`` comes from ``comparable_counts``.
    """
    spells = histories.spells.iloc[which]
    facts = spells[["athlete", "rung", "run"]].reset_index(drop=True)
    facts["sessions"] = spells["n_sessions"].to_numpy()
    facts["last_on"] = spells["last_session"].to_numpy()
    facts["wait_weeks"] = ((histories.as_of - spells["last_session"]).dt.days / 7.0).to_numpy()
    facts["weeks_on"] = ((histories.as_of - spells["start"]).dt.days / 7.0).to_numpy()
    cut = int(np.datetime64(histories.as_of, "D").astype(np.int64))
    facts = facts.join(_training_lately(histories, which))
    facts = facts.join(_sets_shown(histories, which))
    facts = facts.join(_meetings(histories, growth, tracked, which, cut))
    trained = (spells["last_session"] - spells["start"]).dt.days.to_numpy() / 7.0
    lacking = np.maximum(
        MIN_SESSIONS - facts["sessions"], np.ceil((MIN_WEEKS - trained) * facts["rate"])
    )
    facts["more_sessions"] = np.maximum(lacking, 0).astype(np.int64)
    athlete_pace, rung_pace = pace_effects(growth, forecast)
    facts["athlete_pace"] = athlete_pace
    facts["rung_pace"] = rung_pace[spells["rung_index"].to_numpy()]
    last = tracked.panel.last[which]
    done = (tracked.panel.number[last] + 1).astype(float)
    facts["gain_ahead"] = gain_ahead(
        growth, forecast.mean, done, np.full(len(last), float(cut)), facts["rate"].to_numpy()
    )
    before = to_log(tracked.filtered.mean[last, 0], growth.linear)
    facts = _with_level(facts, forecast, growth, histories, comparable, before)
    shown = facts["best_ever"].to_numpy()
    value = np.minimum(facts["guess"], shown)
    lately = np.where(facts["best"].isna(), np.nan, np.minimum(value, facts["best"]))
    return facts.assign(guess=value, usual=lately, before=np.minimum(facts["before"], shown))


def untried_facts(
    histories: Histories,
    untried: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return the same facts for rungs without a session; what can't be known is missing or 0."""
    facts = untried[["athlete", "rung"]].reset_index(drop=True)
    for name in ("run", "sessions", "met_of", "met_lately", "n_sets", "n_valid"):
        facts[name] = 0
    facts["more_sessions"] = MIN_SESSIONS
    facts["load_known"], facts["obstacle"], facts["last_on"] = True, "", pd.NaT
    for name in (
        "wait_weeks", "weeks_on", "rate", "break_days", "met_expected", "met_sd", "athlete_pace",
        "rung_pace",
    ):  # fmt: skip
        facts[name] = 0.0
    for name in ("clean_share", "pause_weeks", "best", "best_ever", "usual"):
        facts[name] = np.nan
    level, facts["gain_ahead"] = level_and_gain(growth, forecast)[:2]
    return _with_level(facts, forecast, growth, histories, comparable, level)


def _with_level(
    facts: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    histories: Histories,
    comparable: dict[str, int],
    before: Array,
) -> pd.DataFrame:
    """Add target, level, and what a day shows now and at the last session, as far as known."""
    level = level_and_gain(growth, forecast)[0]
    criteria = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    target = facts["rung"].map({key: c.target for key, c in criteria.items()}).to_numpy(float)
    whole = np.array([criteria[key].measure == "reps" for key in facts["rung"]], dtype=bool)
    return facts.assign(
        pain=facts["athlete"].map(recent_pain(histories)).astype(float).fillna(0.0),
        target=target,
        level=level,
        guess=usual_value(level, target, whole),
        before=usual_value(before, target, whole),
        comparable=facts["rung"].map(comparable).fillna(0).astype("int64"),
    )


def usual_value(level: Array, target: Array, whole: NDArray[np.bool_]) -> Array:
    """Return the value that a usual day shows in units as they are written down.

    Parameters
    ----------
    level, target
        Level as log(capacity / target), and the pass mark.
    whole
        Whether values are whole repetitions: a capacity of 7.6 is written down as 7, half a
        repetition less on average than the capacity, and told to the nearest repetition.
    """
    capacity = target * np.exp(level)
    return np.asarray(np.where(whole, np.floor(capacity + 1e-9), capacity))


def _sets_shown(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Counts of sets by spell (T,), what was shown at best, and why nothing counts.

    ``best`` of the last five sessions and ``best_ever`` are of sets that counted; where none ever
    did, ``best_ever`` is of all sets. ``obstacle``: ``missed`` where no set brought anything,
    ``helped``, ``unclean`` or ``underloaded`` where sets did but none counted; empty else.
    """
    sets = histories.sets[histories.sets["spell"].isin(spell)]
    own = sets[~sets["assisted"]]
    table = pd.DataFrame(
        {
            "n_sets": sets.groupby("spell").size(),
            "n_valid": sets.groupby("spell")["counts"].sum(),
            "most": sets.groupby("spell")["value"].max(),
            "best_ever": sets["value"].where(sets["counts"]).groupby(sets["spell"]).max(),
            "most_own": own.groupby("spell")["value"].max(),
            "clean_own": own["clean"].groupby(own["spell"]).any(),
            "load_known": sets.groupby("spell")["load_known"].all(),
        }
    ).reindex(spell)
    sessions = histories.sessions[histories.sessions["spell"].isin(spell)]
    latest = sessions.groupby("spell").tail(LAST_SESSIONS)
    table["best"] = latest.groupby("spell")["best"].max().reindex(spell)
    best = table["best_ever"].fillna(table["most"])
    nothing = ~(table["best_ever"] > 0)
    table["obstacle"] = np.select(
        [~nothing, ~(table["most"] > 0), ~(table["most_own"] > 0), ~table["clean_own"].eq(True)],
        ["", "missed", "helped", "unclean"],
        default="underloaded",
    )
    table["best_ever"] = best
    return table.drop(columns=["most", "most_own", "clean_own"]).reset_index(drop=True)


def _training_lately(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Return ``rate`` (sessions a week), ``clean_share, break_days, pause_weeks`` by spell.

    All from the latest sessions. A break, and the wait since the last session, are no part of
    the rate: it is that of the training before and after; ``break_days`` is the longest break
    among them, 0 for none. ``pause_weeks``: without a session for longer, the rung is paused.
    """
    sessions = histories.sessions[histories.sessions["spell"].isin(spell)]
    gap = sessions.groupby("spell")["date"].diff().dt.days.astype(float)
    median = gap.groupby(sessions["spell"]).median()
    usual = median.reindex(sessions["spell"]).to_numpy()
    broken = gap > np.fmax(BREAK_DAYS, BREAK_GAPS * usual)
    latest = sessions.assign(gap=gap.where(~broken), broken=gap.where(broken))
    latest = latest.groupby("spell").tail(RECENT_SESSIONS)
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
    pause = np.fmax(PAUSE_WEEKS, PAUSE_GAPS * median.reindex(spell) / 7.0)
    return pd.DataFrame(
        {
            "rate": rate.fillna(alone).to_numpy(),
            "clean_share": (by_spell["counting"] / by_spell["sets"]).to_numpy(),
            "break_days": by_spell["broken"].fillna(0.0).to_numpy(),
            "pause_weeks": pause.to_numpy(),
        }
    )


def _meetings(
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
