"""Plain facts of each open rung at the cut, for summary, reasons and warnings."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from forecast.growth import GrowthForecast, GrowthModel, level_and_gain, pace_effects
from forecast.histories import Histories

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

RECENT_SESSIONS = 8
EIGHTY = float(norm.ppf(0.9))


def comparable_counts(histories: Histories) -> dict[str, int]:
    """Cleared spells by rung in the log a model was fitted on."""
    cleared = histories.spells[histories.spells["cleared_on"].notna()]
    counts = cleared["rung"].value_counts()
    return {key: int(counts.get(key, 0)) for key in histories.ladder.keys}


def open_facts(
    histories: Histories,
    spell: Ints,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return one row of facts for each spell under way (rows of ``histories.spells``)."""
    spells = histories.spells.iloc[spell]
    facts = spells[["athlete", "rung", "run"]].reset_index(drop=True)
    facts["sessions"] = spells["n_sessions"].to_numpy()
    wait = (histories.as_of - spells["last_session"]).dt.days / 7.0
    facts["wait_weeks"] = wait.to_numpy()
    recent = _recent(histories, spell)
    facts = facts.join(recent)
    athlete_pace, rung_pace = pace_effects(growth, forecast)
    facts["athlete_pace"] = athlete_pace
    facts["rung_pace"] = rung_pace[spells["rung_index"].to_numpy()]
    trusted = histories.sets.loc[~histories.sets["load_known"], "spell"]
    facts["load_known"] = ~np.isin(spell, trusted)
    return _with_state(facts, forecast, growth, histories, comparable)


def untried_facts(
    histories: Histories,
    untried: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return the same facts for rungs without a session; what can't be known is missing or 0."""
    facts = untried[["athlete", "rung"]].reset_index(drop=True)
    facts["run"] = 0
    facts["sessions"] = 0
    facts["load_known"] = True
    for name in ("wait_weeks", "rate", "clean_share", "pain", "athlete_pace", "rung_pace"):
        facts[name] = 0.0
    return _with_state(facts, forecast, growth, histories, comparable)


def _with_state(
    facts: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    histories: Histories,
    comparable: dict[str, int],
) -> pd.DataFrame:
    level, gain, gain_sd = level_and_gain(growth, forecast)
    targets = {rung.key: rung.criterion.target for rung in histories.ladder.rungs}
    facts["rung_name"] = facts["rung"].map({r.key: r.name for r in histories.ladder.rungs})
    facts["target"] = facts["rung"].map(targets).astype(float)
    facts["level"] = level
    facts["level_value"] = facts["target"] * np.exp(level)
    facts["gain"] = gain
    facts["gain_low"] = gain - EIGHTY * gain_sd
    facts["gain_high"] = gain + EIGHTY * gain_sd
    facts["comparable"] = facts["rung"].map(comparable).fillna(0).astype("int64")
    return facts


def _recent(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Rate, clean share and worst pain over the latest sessions of each spell."""
    sessions = histories.sessions[histories.sessions["spell"].isin(spell)]
    latest = sessions.groupby("spell").tail(RECENT_SESSIONS)
    pain = histories.sets.groupby("session")["pain"].max()
    latest = latest.assign(pain=pain.reindex(latest.index).to_numpy())
    by_spell = latest.groupby("spell").agg(
        n=("date", "size"),
        first=("date", "min"),
        sets=("n_sets", "sum"),
        counting=("n_counting", "sum"),
        pain=("pain", "max"),
    )
    by_spell = by_spell.reindex(spell)
    weeks = np.maximum((histories.as_of - by_spell["first"]).dt.days / 7.0, 1.0)
    return pd.DataFrame(
        {
            "rate": (by_spell["n"] / weeks).to_numpy(),
            "clean_share": (by_spell["counting"] / by_spell["sets"]).to_numpy(),
            "pain": by_spell["pain"].fillna(0.0).to_numpy(),
        }
    )
