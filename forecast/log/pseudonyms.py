"""A log to share: nobody's name in it, no notes, other dates; and forecasts as before."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import replace

import pandas as pd

from forecast.errors import LogError
from forecast.log.columns import SET_COLUMNS
from forecast.log.roster import LIMITS
from forecast.log.training_log import TrainingLog

WEEK_YEAR_DAYS = 364
"""Days of a whole year of weeks: a date moved by it stays on its day of the week."""

MOST_YEARS = 8
"""Years that dates are moved back at most: ten days of the season, as a year is 365.25 days."""

LEAST_KEY = 16
"""Bytes of a key at least."""

_DIGITS = 12
"""Hexadecimal digits of a pseudonym: among 4,000 names two are alike once in 30 million keys."""


def pseudonymise(log: TrainingLog, key: bytes | str, *, each: bool = False) -> TrainingLog:
    """Return a log without names, notes and true dates, of which forecasts are the same.

    Names become keyed hashes (HMAC-SHA256), so that who has not the key can't try names. All
    dates move back by one number of years of 364 days, drawn from the key: intervals, days of
    the week and, within ten days, the season stay. Of the roster the covariates known here stay,
    kinds of help become ``assisted``, and where a row stood is dropped, with rows set aside.

    Training days, results, body mass and age stay as they are, and may tell a person to who
    knows them. This is a pseudonym, not anonymity.

    Parameters
    ----------
    log
        A log from ``read_log``.
    key
        At least 16 bytes nobody can guess. The same key gives the same names and dates.
    each
        Move each athlete's dates by a number of years of their own. Intervals within an athlete
        stay; but a forecast is made as of one day, on which most of them then seem to be away, so
        that only what has no common calendar (curves, levels) is the same.

    Raises
    ------
    LogError
        The key is too short, or gives two athletes the same name.
    """
    names = {name: pseudonym(name, key) for name in {*log.athletes, *log.roster.index}}
    if len(set(names.values())) < len(names):
        raise LogError("This key gives two athletes the same pseudonym; take another key.")
    sets = log.sets
    days = sets["athlete"].map(lambda name: shift_days(key, name if each else ""))
    sets = sets.assign(
        athlete=sets["athlete"].map(names),
        date=sets["date"] - pd.to_timedelta(days.astype("int64"), unit="D"),
        assist=sets["assist"].where(~sets["assisted"], "assisted"),
        note="",
        file="shared",
    ).astype(SET_COLUMNS)
    sets = sets.sort_values(["athlete", "date", "rung", "set"], kind="stable", ignore_index=True)
    roster = log.roster[[name for name in log.roster if name in LIMITS]].rename(index=names)
    return replace(
        log,
        sets=sets.assign(row=pd.RangeIndex(2, len(sets) + 2).astype("int64")),
        rejected=log.rejected.iloc[:0],
        warnings=(),
        understood=(),
        roster=roster.sort_index(),
        rows_in=len(sets),
    )


def pseudonym(name: str, key: bytes | str) -> str:
    """Return the name that a keyed hash gives an athlete; errors as in ``pseudonymise``."""
    return "a" + _digest(key, "name", name)[:_DIGITS]


def shift_days(key: bytes | str, athlete: str = "") -> int:
    """Return the days by which dates move back, all of them or an athlete's; errors as above."""
    return WEEK_YEAR_DAYS * (1 + int(_digest(key, "dates", athlete), 16) % MOST_YEARS)


def _digest(key: bytes | str, what: str, of: str) -> str:
    secret = key.encode("utf-8") if isinstance(key, str) else key
    if not isinstance(secret, bytes) or len(secret) < LEAST_KEY:
        raise LogError(f"The key is too short: give {LEAST_KEY} bytes or more nobody can guess.")
    return hmac.new(secret, f"{what}:{of}".encode(), hashlib.sha256).hexdigest()
