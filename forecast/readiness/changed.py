"""What else changed in the log when progress stopped: seen together, never said to be the cause."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories import PAIN, Histories
from forecast.types import Ints

COMPARED = ["spell", "session", "date", "value", "clean", "assisted", "effort", "pain"]
"""Columns of the sets that are looked at."""
LEAST_WEEKS, MOST_WEEKS = 3.0, 12.0
LONG_GAP_DAYS = 14
RECENT_WEEKS, EARLIER_WEEKS = 4.0, 8.0
Changed = tuple[tuple[str, float, float], ...]
"""What changed, its figure before (missing where there is none) and after."""


def alongside(histories: Histories, spell: Ints, since: pd.Series) -> pd.DataFrame:
    """Return ``less_clean`` and ``changed`` of spells (T,); ``since`` (T,) may be missing."""
    sessions = histories.sessions[["spell", "date"]].groupby("spell")
    sets = histories.sets[COMPARED].groupby("spell")
    rows = []
    for number, day in zip(spell, since, strict=True):
        own = sets.get_group(number)
        changed = () if pd.isna(day) else changes_since(sessions.get_group(number), own, day)
        rows.append((longer_but_less_clean(own), changed))
    return pd.DataFrame(rows, columns=["less_clean", "changed"])


def changes_since(sessions: pd.DataFrame, sets: pd.DataFrame, since: pd.Timestamp) -> Changed:
    """Compare the stretch since a day with as long a stretch before it.

    ``sessions`` and ``sets`` are those of one spell, as in ``Histories``: dates, and the columns
    ``COMPARED``. Empty where nothing stands out or nothing was before.
    """
    end = sessions["date"].max()
    weeks = float(np.clip((end - since).days / 7.0, LEAST_WEEKS, MOST_WEEKS))
    start = since - pd.Timedelta(days=round(7 * weeks))
    if sessions["date"].min() > start + pd.Timedelta(days=7):
        start = sessions["date"].min()
    before_weeks = (since - start).days / 7.0
    early = sessions[(sessions["date"] >= start) & (sessions["date"] < since)]
    late = sessions[sessions["date"] >= since]
    if len(early) < 3 or len(late) < 3 or before_weeks < 1.0:
        return ()
    notes: list[tuple[str, float, float]] = []
    rate = _sessions_a_week(sessions, early), _sessions_a_week(sessions, late)
    if abs(np.log(rate[1] / rate[0])) >= np.log(1.3):
        notes.append(("attendance", *rate))
    before, after = (sets[sets["session"].isin(stretch.index)] for stretch in (early, late))
    notes += _sets(before, after, len(early), len(late))
    gap = sessions["date"].diff().dt.days
    longest = gap[sessions["date"] >= since - pd.Timedelta(days=LONG_GAP_DAYS)].max()
    if longest > LONG_GAP_DAYS:  # one that ended about when the stretch began, or later
        notes.append(("gap", np.nan, float(longest)))
    return tuple(notes)


def _sessions_a_week(sessions: pd.DataFrame, part: pd.DataFrame) -> float:
    """By the gaps that end within: a stretch from session to session holds one more than gaps."""
    gaps = sessions["date"].diff().dt.days[part.index]
    return float(7.0 / gaps.mean())


def _sets(
    early: pd.DataFrame, late: pd.DataFrame, n_early: int, n_late: int
) -> list[tuple[str, float, float]]:
    notes = []
    clean = early["clean"].mean(), late["clean"].mean()
    if abs(clean[1] - clean[0]) >= 0.15:
        notes.append(("clean", *clean))
    number = len(early) / n_early, len(late) / n_late
    if abs(np.log(number[1] / number[0])) >= np.log(1.25):
        notes.append(("sets", *number))
    effort = early["effort"].mean(), late["effort"].mean()
    if np.isfinite(effort).all() and abs(effort[1] - effort[0]) >= 1.0:
        notes.append(("effort", *effort))
    pain = early["pain"].max(), late["pain"].max()
    if pain[1] >= PAIN and not pain[0] >= pain[1]:
        notes.append(("pain", *pain))
    return notes


def longer_but_less_clean(sets: pd.DataFrame) -> bool:
    """Say whether numbers rise while form slips.

    True where, over the last four weeks against the eight before, the usual best value of a
    session rose by 5 % or more while the share of unclean sets rose by 15 points or more.
    """
    end = sets["date"].max()
    recent = end - pd.Timedelta(days=round(7 * RECENT_WEEKS))
    earlier = recent - pd.Timedelta(days=round(7 * EARLIER_WEEKS))
    own = sets[~sets["assisted"]]
    late = own[own["date"] > recent]
    early = own[own["date"].between(earlier, recent, inclusive="right")]
    if late["date"].nunique() < 3 or early["date"].nunique() < 3:
        return False
    best = [part.groupby("date")["value"].max().median() for part in (early, late)]
    unclean = [1.0 - part["clean"].mean() for part in (early, late)]
    return bool(best[1] >= 1.05 * best[0] > 0 and unclean[1] - unclean[0] >= 0.15)
