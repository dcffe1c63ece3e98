"""Landmark rows for the regression baselines: plain figures a coach could work out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.backtest.baselines.at_cut import AtCut, counting_sessions
from forecast.histories import CLEARED

FEATURES: tuple[str, ...] = (
    "level_recent",
    "level_best",
    "slope",
    "rate",
    "log_age",
    "idle",
    "met",
    "none_counted",
)
FIRST_DAY, STEP_DAYS = 7, 21
RECENT_DAYS, SLOPE_DAYS, RATE_DAYS = 28, 70, 56


def training_rows(known: AtCut) -> pd.DataFrame:
    """Return landmark rows of every spell: ``FEATURES``, ``rung``, ``weeks`` to go, ``cleared``.

    A spell gives a row 7 days after its start and every 21 days from there, as long as it was
    being followed. Rows of one spell are not independent; a point forecast does not mind.
    """
    spells = known.histories.spells.reset_index(names="spell")
    length = (spells["end"] - spells["start"]).dt.days
    number = np.maximum(0, np.ceil((length - FIRST_DAY) / STEP_DAYS)).astype(int)
    rows = spells.loc[np.repeat(spells.index, number), ["spell", "rung", "start", "end", "outcome"]]
    step = rows.groupby("spell").cumcount()
    landmark = rows["start"] + pd.to_timedelta(FIRST_DAY + STEP_DAYS * step, unit="D")
    rows = rows.assign(landmark=landmark).reset_index(drop=True)
    rows["weeks"] = (rows["end"] - rows["landmark"]).dt.days / 7.0
    rows["cleared"] = rows["outcome"] == CLEARED
    return features_at(known, rows)


def open_rows(known: AtCut) -> pd.DataFrame:
    """Return the landmark row of each open spell at the cut, in the order of the open spells."""
    rows = known.open_spells[["spell", "rung", "start"]].assign(landmark=known.as_of)
    return features_at(known, rows.reset_index(drop=True))


def features_at(known: AtCut, rows: pd.DataFrame) -> pd.DataFrame:
    """Add ``FEATURES`` to rows of ``spell, rung, start, landmark``, from sessions before it.

    ``level_recent`` and ``level_best`` are log(best / target) over four weeks and ever (the
    lowest level on record where nothing counted yet), ``slope`` the least-squares gain a week
    over ten weeks, ``rate`` sessions a week over eight, ``log_age`` of the weeks on the rung,
    ``idle`` weeks since the last session, ``met`` sessions that met the criterion over four.
    """
    out = rows.copy()
    out["row"] = np.arange(len(out))
    age = (out["landmark"] - out["start"]).dt.days
    every = _joined(out, known.histories.sessions[["spell", "date", "meets"]])
    counting = _joined(out, counting_sessions(known)[["spell", "date", "level"]])
    recent = counting[counting["ago"] <= RECENT_DAYS]
    best = counting.groupby("row")["level"].max().reindex(out["row"])
    lowest = counting["level"].min() if len(counting) else -2.0
    out["none_counted"] = best.isna().to_numpy().astype(float)
    out["level_best"] = best.fillna(lowest).to_numpy()
    latest = recent.groupby("row")["level"].max().reindex(out["row"])
    out["level_recent"] = latest.fillna(best).fillna(lowest).to_numpy()
    out["slope"] = _slopes(counting[counting["ago"] <= SLOPE_DAYS], len(out))
    lately = every[every["ago"] <= RATE_DAYS].groupby("row").size().reindex(out["row"])
    out["rate"] = lately.fillna(0).to_numpy() / (np.clip(age.to_numpy(), 7, RATE_DAYS) / 7.0)
    out["log_age"] = np.log1p(age / 7.0)
    out["idle"] = (every.groupby("row")["ago"].min() / 7.0).reindex(out["row"]).to_numpy()
    met = every[every["ago"] <= RECENT_DAYS].groupby("row")["meets"].sum()
    out["met"] = met.reindex(out["row"]).fillna(0).to_numpy(float)
    return out


def _joined(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Pair each landmark with the sessions of its spell before it; ``ago`` in days."""
    pairs = rows[["row", "spell", "landmark"]].merge(sessions, on="spell")
    pairs["ago"] = (pairs["landmark"] - pairs["date"]).dt.days
    return pairs[pairs["ago"] > 0]


def _slopes(pairs: pd.DataFrame, n_rows: int) -> np.ndarray:
    """Least-squares gain a week by landmark; 0 for fewer than 3 sessions or under a week."""
    week = -pairs["ago"] / 7.0
    mean = pairs.assign(week=week).groupby("row")[["week", "level"]].transform("mean")
    across = week - mean["week"]
    sums = pairs.assign(
        xx=across**2, xy=across * (pairs["level"] - mean["level"]), one=1.0, week=week
    ).groupby("row")
    total = sums[["xx", "xy", "one"]].sum()
    wide = sums["week"].max() - sums["week"].min() >= 1.0
    usable = total[(total["one"] >= 3) & wide]
    slope = np.zeros(n_rows)
    slope[usable.index.to_numpy()] = np.clip(usable["xy"] / usable["xx"], -0.5, 0.5)
    return slope
