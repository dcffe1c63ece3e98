"""What is asked of a look up the ladder: numbers in range, or a sentence that names them."""

from __future__ import annotations

from collections.abc import Iterable

from forecast.errors import ForecastError
from forecast.log.given import is_number

MOST_HORIZON = 1040
"""Weeks that can be looked ahead, twenty years: nothing learnt from a log reaches further."""
MOST_RATE = 7.0


def check_horizon(horizon_weeks: float) -> int:
    """Return the weeks to look ahead.

    Raises
    ------
    ForecastError
        It is no whole number of 1 to 1040.
    """
    within = is_number(horizon_weeks) and 1 <= horizon_weeks <= MOST_HORIZON
    if not within or int(horizon_weeks) != horizon_weeks:
        raise ForecastError(
            f"horizon_weeks = {horizon_weeks!r}; give a whole number of weeks, 1 to {MOST_HORIZON}."
        )
    return int(horizon_weeks)


def check_rate(sessions_per_week: object) -> float:
    """Return a rate of training.

    Raises
    ------
    ForecastError
        It is no number above 0 and at most 7.
    """
    if is_number(sessions_per_week) and 0 < sessions_per_week <= MOST_RATE:
        return float(sessions_per_week)
    raise ForecastError(
        f"sessions_per_week = {sessions_per_week!r}; give a number above 0, at most 7."
    )


def check_rates(sessions_per_week: object) -> tuple[float, ...]:
    """Return rates of training to compare.

    Raises
    ------
    ForecastError
        It is no list, an empty one, or holds what is no number above 0 and at most 7.
    """
    if isinstance(sessions_per_week, str | bytes) or not isinstance(sessions_per_week, Iterable):
        rates: tuple[object, ...] = ()
    else:
        rates = tuple(sessions_per_week)
    if not rates:
        raise ForecastError(
            f"sessions_per_week = {sessions_per_week!r}; give a list of one rate or more, such as "
            "[2, 3, 4]."
        )
    return tuple(check_rate(rate) for rate in rates)


def check_drop(name: str, value: object) -> float:
    """Return a drop of level.

    Raises
    ------
    ForecastError
        It is no number of 0 or more, below 10.
    """
    if is_number(value) and 0 <= value < 10:
        return float(value)
    raise ForecastError(
        f"{name} = {value!r}; give a number of log units from 0, such as 0.05 for about 5 %."
    )
