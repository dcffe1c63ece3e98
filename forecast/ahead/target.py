"""A target date turned round: the chance of making it, and the gain a week it would take."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ahead.ground import Ground
from forecast.ahead.state import Settings, Walk, log_levels
from forecast.ahead.walk import chain
from forecast.readiness.result import DIGITS
from forecast.types import Array, Flags

TARGET_COLUMNS = (
    "athlete", "rung", "target_date", "p_by_target", "gain_per_week", "gain_needed",
    "times_as_fast", "text",
)  # fmt: skip
SLOWEST, QUICKEST = 0.05, 20.0
HALVINGS = 18


def target_table(
    ground: Ground,
    settings: Settings,
    gone: Walk,
    as_of: pd.Timestamp,
    target_date: pd.Timestamp | None,
) -> pd.DataFrame:
    """Return one row an athlete who has the ladder's top ahead; none without a date.

    The gain is that of level (log of value over target, so 0.02 is about 2 % a week) over the
    time on the rungs to the top, on the middle path. The gain needed is that with which the
    chance of making the date is one half, every rung climbed so many times as fast, delays and
    consolidation periods as they are.
    """
    top = ground.plan.n_rungs - 1
    who = np.flatnonzero(ground.standing.ahead[:, top])
    if target_date is None or not len(who):
        return pd.DataFrame({name: [] for name in TARGET_COLUMNS})
    days = float((target_date - as_of).days)
    chance = (gone.cleared[who, top] <= days).mean(axis=1)
    gain = _gain_to_top(ground, gone, top)[who]
    times = _times_as_fast(ground, gone, top, days)[who]
    table = pd.DataFrame(
        {
            "athlete": pd.Series([ground.standing.names[a] for a in who], dtype="str"),
            "rung": ground.histories.ladder.keys[top],
            "target_date": target_date,
            "p_by_target": np.round(chance, DIGITS),
            "gain_per_week": np.round(gain, DIGITS),
            "gain_needed": np.round(gain * times, DIGITS),
            "times_as_fast": np.round(times, 3),
        }
    )
    table["text"] = [
        _sentence(*numbers, target_date)
        for numbers in zip(chance, gain, gain * times, times, strict=True)
    ]
    return table.sort_values("athlete", ignore_index=True)


def _gain_to_top(ground: Ground, gone: Walk, top: int) -> Array:
    """(A,) level gained over weeks spent on the rungs still ahead on the way, middle path."""
    way = ground.standing.ahead & ground.plan.way_to(top)
    mark = ground.threshold[:, None]
    linear = ground.model.linear
    end = log_levels(gone.end_level + mark, linear)
    start = log_levels(gone.start_level + mark, linear)
    climb = np.where(way[:, :, None], end - start, 0.0).sum(axis=1)
    weeks = np.where(way[:, :, None], gone.climbing, 0.0).sum(axis=1) / 7.0
    return np.asarray(np.median(climb / np.maximum(weeks, 1.0 / 7.0), axis=1))


def _times_as_fast(ground: Ground, gone: Walk, top: int, days: float) -> Array:
    """(A,) factor on the pace of climbing with which half the paths make it; NaN if none does."""
    people = len(ground.standing.athletes)

    def made(quicker: Array) -> Flags:
        cleared = chain(ground.plan, ground.standing, gone, quicker)
        return np.asarray((cleared[:, top] <= days).mean(axis=1) >= 0.5)

    low, high = np.full(people, np.log(SLOWEST)), np.full(people, np.log(QUICKEST))
    possible = made(np.exp(high))
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        enough = made(np.exp(middle))
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return np.where(possible, np.exp(high), np.nan)


def _sentence(chance: float, gain: float, needed: float, times: float, date: pd.Timestamp) -> str:
    """The row in words."""
    said = f"The chance of the top by {date.date()} is {100 * chance:.0f} %."
    if not np.isfinite(times):
        return (
            f"{said} No gain within {QUICKEST:g} times the present one would make it even odds: "
            "waiting periods and delays alone take too long."
        )
    if times <= 1.0:
        return (
            f"{said} Even odds would take {100 * needed:.1f} % a week on the rungs; about "
            f"{100 * gain:.1f} % is expected."
        )
    return (
        f"{said} Even odds would take {100 * needed:.1f} % a week on the rungs, {times:.1f} times "
        f"the {100 * gain:.1f} % expected. Don't chase a date with more load: tendons adapt over "
        "months, and pain stops the session."
    )
