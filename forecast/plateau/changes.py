"""What else changed in the log when progress stopped: seen together, never said to be the cause."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories import PAIN

COMPARED = ["spell", "session", "date", "value", "clean", "assisted", "effort", "pain"]
"""Columns of the sets that are looked at."""
LEAST_WEEKS = 3.0
MOST_WEEKS = 12.0
LONG_GAP_DAYS = 14
RECENT_WEEKS = 4.0
EARLIER_WEEKS = 8.0


def changes_since(sessions: pd.DataFrame, sets: pd.DataFrame, since: pd.Timestamp) -> str:
    """Compare the stretch since a day with as long a stretch before it, in words.

    ``sessions`` and ``sets`` are those of one spell, the sets with the columns ``COMPARED``.
    Returns observations parted by semicolons; empty where nothing stands out or nothing was before.
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
        return ""
    notes = [
        _rate(_sessions_a_week(sessions, early), _sessions_a_week(sessions, late)),
        *_sets(_of(sets, early), _of(sets, late), len(early), len(late)),
        _gap(sessions, since),
    ]
    return "; ".join(note for note in notes if note)


def _of(sets: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    return sets[sets["session"].isin(sessions.index)]


def _sessions_a_week(sessions: pd.DataFrame, part: pd.DataFrame) -> float:
    """By the gaps that end within: a stretch from session to session holds one more than gaps."""
    gaps = sessions["date"].diff().dt.days[part.index]
    return float(7.0 / gaps.mean())


def _rate(before: float, after: float) -> str:
    if abs(np.log(after / before)) < np.log(1.3):
        return ""
    return f"attendance {before:.1f} then {after:.1f} sessions a week"


def _sets(early: pd.DataFrame, late: pd.DataFrame, n_early: int, n_late: int) -> list[str]:
    notes = []
    clean = 100 * early["clean"].mean(), 100 * late["clean"].mean()
    if abs(clean[1] - clean[0]) >= 15:
        notes.append(f"clean sets {clean[0]:.0f} % then {clean[1]:.0f} %")
    number = len(early) / n_early, len(late) / n_late
    if abs(np.log(number[1] / number[0])) >= np.log(1.25):
        notes.append(f"sets a session {number[0]:.1f} then {number[1]:.1f}")
    effort = early["effort"].mean(), late["effort"].mean()
    if np.isfinite(effort).all() and abs(effort[1] - effort[0]) >= 1.0:
        notes.append(f"effort {effort[0]:.1f} then {effort[1]:.1f}")
    pain = early["pain"].max(), late["pain"].max()
    if pain[1] >= PAIN and not pain[0] >= pain[1]:
        was = f"{pain[0]:.0f}" if np.isfinite(pain[0]) else "none noted"
        notes.append(f"highest pain {was} then {pain[1]:.0f}")
    return notes


def _gap(sessions: pd.DataFrame, since: pd.Timestamp) -> str:
    """A long gap that ended about when the stretch began or later."""
    gap = sessions["date"].diff().dt.days
    near = sessions["date"] >= since - pd.Timedelta(days=LONG_GAP_DAYS)
    longest = gap[near].max()
    return f"a gap of {longest:.0f} days" if longest > LONG_GAP_DAYS else ""


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
