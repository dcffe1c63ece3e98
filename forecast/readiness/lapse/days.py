"""Training days: after each one the athlete comes again, or has lapsed."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtr

from forecast.histories import CLEARED, Histories
from forecast.types import Array

FLAT_GAIN = 0.005
"""Gain a week below which progress counts as flat: half a percent (judgement, no source)."""
RECENT_DAYS = 56
FEATURES = ("flat", "rate", "pain", "log_weeks", "just_cleared")


def chance_flat(states: pd.DataFrame) -> Array:
    """Chance after each session that the gain is below ``FLAT_GAIN``, from filtered states."""
    gain = (states["swing"] + states["pace"]).to_numpy(dtype=float)
    spread = np.sqrt(states["var_gain"].to_numpy(dtype=float))
    return np.asarray(ndtr((FLAT_GAIN - gain) / np.maximum(spread, 1e-9)))


def design_of(days: pd.DataFrame) -> Array:
    """Intercept and features of training days, (n, 6)."""
    return np.column_stack([np.ones(len(days)), days[list(FEATURES)].to_numpy(dtype=float)])


def training_days(histories: Histories, p_flat: Array) -> pd.DataFrame:
    """Return one row an athlete and training day, with what was known that evening.

    ``p_flat`` is the chance of being flat after each session of the histories (``chance_flat``).
    Columns: ``athlete_id, date``; ``flat`` (chance that the gain on the rungs trained is near
    nothing or below, -0.5 to 0.5 about one half), ``rate`` (log of training days a week over the
    last eight weeks), ``pain`` (highest noted that day over 10, 0 where none was noted),
    ``log_weeks`` (log of 1 + weeks since the first set), ``just_cleared`` (a rung was cleared in
    the last four weeks), ``last`` (no later training day before the cut), ``away`` (days from
    here to the cut), ``settled`` (longer ago than the lapse rule allows, so that whether another
    day followed is known) and ``lapsed`` (last, and settled).
    """
    spells = histories.spells
    sessions = histories.sessions[["athlete", "spell", "date"]].copy()
    sessions["p_flat"] = p_flat
    pain = histories.sets.groupby(["athlete", "date"])["pain"].max().rename("pain")
    days = sessions.groupby(["athlete", "date"], as_index=False)["p_flat"].mean()
    after = histories.after_clearing[["athlete", "date"]].drop_duplicates()
    days = days.merge(after, on=["athlete", "date"], how="outer").sort_values(["athlete", "date"])
    # A day of upkeep only says nothing new about the gain: the last opinion stands.
    days["p_flat"] = days.groupby("athlete")["p_flat"].ffill().fillna(0.5)
    days = days.merge(pain, on=["athlete", "date"], how="left").reset_index(drop=True)
    ids = spells.drop_duplicates("athlete").set_index("athlete")["athlete_id"]
    days["athlete_id"] = days["athlete"].map(ids).astype("int64")
    days = days.sort_values(["athlete_id", "date"]).reset_index(drop=True)
    table = _with_features(days, histories)
    # Nobody lapses by reaching the top: their last day is left out, as if still to be settled.
    through = table["last"] & table["athlete"].isin(_through(histories))
    return table[~through].reset_index(drop=True)


def _through(histories: Histories) -> set[str]:
    """Athletes who have cleared every rung that no other needs: the tops of the ladder."""
    needed = {need for rung in histories.ladder.rungs for need in rung.needs}
    tops = [key for key in histories.ladder.keys if key not in needed]
    done = histories.spells[histories.spells["outcome"] == CLEARED]
    count = done[done["rung"].isin(tops)].groupby("athlete")["rung"].nunique()
    return set(count[count == len(tops)].index)


def _with_features(days: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    day = days["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    who = days["athlete_id"].to_numpy()
    span = np.int64(10**7)
    key = who * span + day
    first = day[np.searchsorted(who, who, side="left")]
    from_day = np.maximum(first, day - RECENT_DAYS + 1)
    count = np.arange(len(key)) + 1 - np.searchsorted(key, who * span + from_day, side="left")
    weeks = np.maximum(day - from_day + 1, 14) / 7.0
    out = days[["athlete", "athlete_id", "date"]].copy()
    out["flat"] = days["p_flat"].to_numpy() - 0.5
    out["rate"] = np.log(count / weeks)
    out["pain"] = days["pain"].fillna(0.0).to_numpy() / 10.0
    out["log_weeks"] = np.log1p((day - first) / 7.0)
    out["just_cleared"] = _just_cleared(key, histories.spells, span)
    out["last"] = np.r_[who[1:] != who[:-1], True]
    cut = np.datetime64(histories.as_of, "D").astype(np.int64)
    out["away"] = cut - day
    allowed = days["athlete"].map(histories.lapse_after).to_numpy(dtype=float)
    out["settled"] = out["away"].to_numpy() > allowed
    out["lapsed"] = out["last"] & out["settled"]
    return out


def _just_cleared(key: np.ndarray, spells: pd.DataFrame, span: np.int64) -> np.ndarray:
    """Whether the athlete cleared a rung in the 28 days up to each training day."""
    done = spells[spells["cleared_on"].notna()]
    when = done["cleared_on"].to_numpy().astype("datetime64[D]").astype(np.int64)
    cleared = np.sort(done["athlete_id"].to_numpy() * span + when)
    upto = np.searchsorted(cleared, key, side="right")
    return (upto > np.searchsorted(cleared, key - 28, side="left")).astype(float)
