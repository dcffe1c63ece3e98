"""What changed between two days of a club, as a coach is told: pain, stalls, absences, chances."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pandas as pd

from forecast.log import counted
from forecast.words import say

MOST_DAYS = 5
"""Days named in a sentence."""
RATE_MOVED = 1.3
"""Attendance has changed where it did so by this factor (judgement)."""
LONG_SINCE = 2.0
"""Weeks without training that are worth a word beside a chance that moved (judgement)."""
_TOGETHER = {
    "away": "away from {}.",
    "re-test": "due for a re-test: {}.",
    "cleared": "cleared {}.",
    "back": "back on {}.",
    "chance": "{}.",
}
_LOG = {"vanished": "has vanished", "edited": "was edited", "late": "came late"}


def nothing(since: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return that nothing changed."""
    return f"Nothing new since {say.day(since, as_of)}."


def heading(since: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return the days that were compared."""
    return f"Since {say.day(since, as_of)}, as of {as_of.date()}"


def pain(score: float, day: pd.Timestamp, rung: str, as_of: pd.Timestamp) -> str:
    """Return the pain that was noted, and what to do."""
    return (
        f"pain of {score:.0f} noted on {say.day(day, as_of)} ({rung}): stop what hurts, and refer "
        "to a licensed clinician."
    )


def came(first: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return when an athlete came."""
    return f"came on {say.day(first, as_of)}."


def left(last: pd.Timestamp | None, as_of: pd.Timestamp) -> str:
    """Return since when an athlete is gone; without a last day, from the log too."""
    if last is None:
        return "is no longer in the log."
    return f"has probably left: no set since {say.day(last, as_of)}."


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
    return (
        f"chance of clearing it by {say.day(row.until, row.as_of)} went from "
        f"{say.percent(row.p_was)} to {say.percent(row.p)} ({'; '.join(why)})"
    )


_OF_RUNG: dict[str, Callable[[Any], str]] = {
    "cleared": lambda row: f"on {say.day(row.cleared_on, row.as_of)}",
    "re-test": lambda row: "",
    "away": lambda row: f"for {row.wait_weeks:.0f} weeks",
    "slipping": lambda row: f"is slipping. {row.reason}",
    "flat": lambda row: f"is flat. {row.reason}",
    "moving again": lambda row: f"is moving again. {row.reason}",
    "back": lambda row: f"after {row.wait_weeks_was + row.weeks - row.wait_weeks:.0f} weeks",
    "chance": _moved,
}


def of_rung(row: Any) -> str:
    """Return what is said of a rung beside its name.

    ``row`` has ``kind``, both days' figures of a snapshot (the earlier ones end in ``_was``),
    chances of one date ``p`` and ``p_was``, that date ``until``, and ``weeks`` between the days.
    """
    return _OF_RUNG[row.kind](row)


def of_rungs(kind: str, each: Iterable[str]) -> str:
    """Return one sentence on the rungs of an athlete, each with what is said of it."""
    return _TOGETHER.get(kind, "{}").format(", ".join(each))


def days(what: str, dates: Iterable[pd.Timestamp], as_of: pd.Timestamp) -> str:
    """Return that what was written of days ``vanished``, was ``edited`` or came ``late``."""
    told = [say.day(date, as_of) for date in dates]
    more = f" and {len(told) - MOST_DAYS} days more" if len(told) > MOST_DAYS else ""
    return f"what was written of {', '.join(told[:MOST_DAYS])}{more} {_LOG[what]}."
