"""Dates that can't be right: after today, or one day alone long after everything else.

A year mistyped puts the end of the log a year ahead, and everybody else then seems to have left.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.log.cells import counted
from forecast.log.columns import rejected_rows

ALONE_WEEKS = 26
"""Weeks by which a day has to lie after all others to be set aside (a judgement: a year mistyped
puts a date up to 52 weeks past the end of the log; off-seasons and injuries end sooner)."""

DENSE_DAYS = 20
"""Training days the rest of the log needs before a day can look lost (a judgement)."""

MOST_ALONE = 3
"""Days, each alone, that are set aside at most: more of them are no slips of the pen."""

KINDS = ("future", "alone")
"""Kinds of these rows in ``log.rejected``."""


def set_aside_dates(
    sets: pd.DataFrame, today: pd.Timestamp, right_until: pd.Timestamp | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Separate rows whose date can be believed from rows (rejected) whose date can't.

    Set aside are rows after ``today``, and then the last day of the log (at most ``MOST_ALONE``
    days) where one athlete alone trained on it, it lies more than ``ALONE_WEEKS`` after the day
    before, and the other days are dense: at least ``DENSE_DAYS`` of them, with no gap half as
    long. A second day near it, or a second athlete, makes it an honest return, and it stays. Up to
    ``right_until`` every date is right, because the user says so.
    """
    limit = today if right_until is None else max(today, right_until)
    future = sets["date"] > limit
    kept, late = sets[~future], sets[future]
    parts = [_rejected(late, "future", f"is after today ({today.date()})")]
    end = _believed_end(kept)
    alone = kept["date"] > (kept["date"].max() if end is None else end)
    if right_until is not None:
        alone &= kept["date"] > right_until
    if alone.any():
        weeks = (kept["date"][alone].min() - end).days // 7
        said = f"stands alone, {weeks} weeks or more after every other date of the log"
        parts.append(_rejected(kept[alone], "alone", said))
        kept = kept[~alone]
    return kept, pd.concat(parts, ignore_index=True)


def _believed_end(sets: pd.DataFrame) -> pd.Timestamp | None:
    """Return the last day before those that stand alone, ``None`` where none does."""
    people = sets.groupby("date")["athlete"].nunique().sort_index()
    gaps = people.index.to_series().diff().dt.days.to_numpy()
    lone = (gaps > 7 * ALONE_WEEKS) & (people.to_numpy() == 1)
    lost = int(np.cumprod(lone[::-1][:MOST_ALONE]).sum())
    rest = len(people) - lost
    if not lost or rest < DENSE_DAYS or 2 * gaps[1:rest].max() >= gaps[rest:].min():
        return None
    return people.index[rest - 1]


def _rejected(sets: pd.DataFrame, kind: str, said: str) -> pd.DataFrame:
    dates = sets["date"].dt.strftime("%Y-%m-%d").astype("str")
    advice = "; mend it, or if right put last_date = " + dates + " under [read] in the mapping"
    reason = "date: " + dates + f" {said}" + advice + " (or in club.toml)."
    return rejected_rows(sets, "date", dates, kind, reason)


def dates_set_aside(rejected: pd.DataFrame) -> list[str]:
    """Return a sentence for each kind of such rows among the rejected ones."""
    what = {"future": "dated after today", "alone": "dated long after everything else"}
    said = []
    for kind in KINDS:
        rows = rejected[rejected["kind"] == kind]
        if len(rows):
            first = rows.iloc[0]
            where = f"{first['file']} row {first['row']} ({first['value']})"
            said.append(
                f"Set aside, {what[kind]}: {counted(len(rows), 'row')}, such as {where}. Mend "
                "the date; if it is right, put "
                f"last_date = {max(rows['value'])} under [read] in the mapping or in club.toml."
            )
    return said
