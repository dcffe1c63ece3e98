"""What changed between two days of a club, as a coach is told: pain, stalls, absences, chances."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from forecast.log import counted, in_percent
from forecast.row import Row
from forecast.words import say

MOST_DAYS = 5
"""Days named in a sentence."""
RATE_MOVED = 1.3
"""Attendance has changed where it did so by this factor (judgement)."""
LONG_SINCE = 2.0
"""Weeks without training that are worth a word beside a chance that moved (judgement)."""


def text(name: str, as_of: pd.Timestamp, /, **figures: object) -> str:
    """Return a sentence on a change by its name; days are written as seen from ``as_of``."""
    days = {k: say.day(v, as_of) for k, v in figures.items() if isinstance(v, pd.Timestamp)}
    return str(say.TEXTS["changes"][name]).format(as_of=as_of, **{**figures, **days})


def _moved(row: Any) -> str:
    sessions = row.sessions - row.sessions_was
    why = [f"{counted(round(sessions), 'session')} since" if sessions > 0 else "no session since"]
    if row.stands != row.stands_was and row.stands and row.stands_was:
        why.append(f"a usual day shows {row.stands} where it showed {row.stands_was}")
    rates = row.sessions_per_week, row.sessions_per_week_was
    if min(rates) > 0 and abs(np.log(rates[0] / rates[1])) > np.log(RATE_MOVED):
        why.append(f"{rates[0]:.1f} sessions a week after {rates[1]:.1f}")
    if row.wait_weeks > LONG_SINCE:
        why.append(f"last trained {row.wait_weeks:.0f} weeks ago")
    return "; ".join(why)


def of_rung(row: Any) -> str:
    """Return what is said of a rung beside its name.

    ``row`` has ``kind``, both days' figures of a snapshot (the earlier ones end in ``_was``),
    chances of one date ``p`` and ``p_was``, that date ``until``, and ``weeks`` between the days.
    """
    return str(say.TEXTS["changes_of_rung"][row.kind]).format(
        row=row,
        absent=row.wait_weeks_was + row.weeks - row.wait_weeks,
        cleared_on=say.day(row.cleared_on, row.as_of) if row.kind == "cleared" else "",
        until=say.day(row.until, row.as_of),
        chances=(say.percent(row.p_was), say.percent(row.p)),
        why=_moved(row) if row.kind == "chance" else "",
    )


def of_rungs(kind: str, each: Iterable[str]) -> str:
    """Return one sentence on the rungs of an athlete, each with what is said of it."""
    return str(say.TEXTS["changes_together"].get(kind, "{}")).format(", ".join(each))


def days(what: str, dates: Iterable[pd.Timestamp], as_of: pd.Timestamp) -> str:
    """Return that what was written of days ``vanished``, was ``edited`` or came ``late``."""
    names = [say.day(date, as_of) for date in dates]
    more = f" and {len(names) - MOST_DAYS} days more" if len(names) > MOST_DAYS else ""
    return text(what, as_of, days=", ".join(names[:MOST_DAYS]) + more)


def said(low: float, high: float) -> str:
    """Return a range of chances as the diary groups them: ``60 to 80 %``."""
    return f"{100 * low:.0f} to {in_percent(high)}"


def looked_back(lines: pd.DataFrame, as_of: pd.Timestamp) -> str:
    """Return what was said of an athlete's rungs some weeks ago, and what came of it."""
    first = lines["as_of"].min()
    each = [
        text(
            "diary_cleared" if line.came else "diary_open", as_of,
            rung=line.rung_name, chance=say.percent(line.p_8), due=line.due,
            day=line.cleared_on,
        )
        for line in lines.itertuples()
    ]  # fmt: skip
    weeks = round((as_of - first).days / 7)
    return text("diary", as_of, weeks=weeks, each=". ".join(each))


def diary(table: pd.DataFrame, since: pd.Timestamp, weeks: int, name: str) -> str:
    """Return how often chances came true, over all and where most was said."""
    most = table.loc[table["n"].idxmax()]
    count, expected = table["n"].sum(), (table["n"] * table["expected"]).sum()
    return text(
        name, since, since=since, weeks=weeks, count=count, came=table["came"].sum(),
        expected=round(expected), most=most,
    )  # fmt: skip


def moved_by(row: Row, was: pd.Series) -> str:
    """Return by how many weeks the date moved since an earlier day, and what lies between."""
    assert row.wait is not None
    weeks = (row.as_of - was["as_of"]).days / 7.0
    later = (row.wait.dates[1] - was["date_mid"]).days / 7.0
    if np.isnan(later):  # one of the two is past the horizon
        return ""
    trained, usual = row.seen.sessions - was["sessions"], round(was["per_week"] * weeks)
    how = "as_before" if abs(later) < 0.75 else "later" if later > 0 else "sooner"
    return text(
        how, row.as_of, weeks=say.weeks(abs(later)), day=was["as_of"],
        trained=counted(int(trained), "session"), usual=usual,
    )  # fmt: skip
